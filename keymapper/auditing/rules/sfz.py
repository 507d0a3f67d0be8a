"""Rules about the text of an SFZ file: what players read differently or not at all."""

from __future__ import annotations

from collections.abc import Iterator

from keymapper.auditing.rule import Hit, Outcome, rule
from keymapper.auditing.subject import PackInstrument

_SYNTAX = (
    "stray-text",
    "opcode-before-header",
    "unknown-header",
    "header-case",
    "unclosed-comment",
)
_VARIABLES = ("bad-define", "define-clash", "undefined-variable")
_INCLUDES = ("include-missing", "include-loop", "include-limit")
_VALUES = ("bad-value", "value-out-of-range")
_PORTABILITY = (
    "encoding",
    "byte-order-mark",
    "backslash",
    "default-path-reset",
    "filter-without-cutoff",
)


def _of_kinds(instrument: PackInstrument, kinds: tuple[str, ...]) -> Iterator[Outcome]:
    for problem in instrument.problems:
        if problem.kind in kinds:
            yield Hit(
                file=instrument.name,
                zone=f"{problem.file} line {problem.line}" if problem.line else None,
                measured=problem.subject,
                message=problem.message,
            )


@rule(
    "sfz-unreadable",
    "error",
    on="instrument",
    title="An instrument cannot be read",
    why="No player can load it either.",
    fix="Export it again as an SFZ text file.",
)
def unreadable(instrument: PackInstrument, _limit: float) -> Iterator[Outcome]:
    """Judge files that are no text, too large, or manifests of an unknown version."""
    if instrument.unreadable:
        yield Hit(message=instrument.unreadable.rstrip("."))


@rule(
    "sfz-syntax",
    "warning",
    on="instrument",
    title="Text that is no SFZ",
    why="Players skip it, or everything after it.",
    fix="Correct the line: headers in < >, opcode=value, comments after //.",
)
def syntax(instrument: PackInstrument, _limit: float) -> Iterator[Outcome]:
    """Stray words, unknown headers, comments without an end."""
    yield from _of_kinds(instrument, _SYNTAX)


@rule(
    "sfz-variable",
    "warning",
    on="instrument",
    title="A #define that players read differently",
    why="Its name is unknown, clashes with another, or has no value.",
    fix="Write the value out, or choose names none of which begins with another.",
)
def variable(instrument: PackInstrument, _limit: float) -> Iterator[Outcome]:
    """Variables that are undefined, ill formed, or begin with another's name."""
    yield from _of_kinds(instrument, _VARIABLES)


@rule(
    "sfz-include",
    "error",
    on="instrument",
    title="An #include that cannot be followed",
    why="Everything that stands in it is missing from the instrument.",
    fix="Put the file in its place, relative to the main SFZ file.",
)
def include(instrument: PackInstrument, _limit: float) -> Iterator[Outcome]:
    """Includes that are missing, go round in circles, or are too many."""
    yield from _of_kinds(instrument, _INCLUDES)


@rule(
    "sfz-value",
    "warning",
    on="instrument",
    title="A value that an opcode does not take",
    why="Players ignore it or take another one.",
    fix="Correct the value.",
)
def value(instrument: PackInstrument, _limit: float) -> Iterator[Outcome]:
    """Values that are no number, no such choice, or out of range."""
    yield from _of_kinds(instrument, _VALUES)


@rule(
    "sfz-portability",
    "warning",
    on="instrument",
    title="Something that not every player reads alike",
    why="The instrument plays here and is silent or wrong elsewhere.",
    fix="Write it the portable way: UTF-8 without byte order mark, `/` in paths, cutoff with "
    "fil_type, one <control>.",
)
def portability(instrument: PackInstrument, _limit: float) -> Iterator[Outcome]:
    """Byte order marks, backslashes, other encodings, filters without a cutoff."""
    yield from _of_kinds(instrument, _PORTABILITY)


@rule(
    "sfz-region-without-sample",
    "warning",
    on="instrument",
    title="A region without a sample",
    why="It plays nothing.",
    fix="Name its sample, or take it out.",
)
def region_without_sample(instrument: PackInstrument, _limit: float) -> Iterator[Outcome]:
    """Regions that name and inherit no sample."""
    yield from _of_kinds(instrument, ("region-without-sample",))


@rule(
    "sfz-unknown-opcode",
    "note",
    on="instrument",
    title="An opcode nobody has heard of",
    why="It is most likely misspelt, and does nothing.",
    fix="Correct its spelling, or take it out.",
)
def unknown_opcode(instrument: PackInstrument, _limit: float) -> Iterator[Outcome]:
    """Opcodes that the reader does not know in any spelling."""
    for name in instrument.unknown_opcodes:
        yield Hit(
            file=instrument.name, measured=name, message=f"uses the opcode {name}, which is unknown"
        )
