"""Rules about the names of files."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from pathlib import PurePosixPath

from keymapper.auditing.rule import Hit, Outcome, rule
from keymapper.auditing.subject import Pack
from keymapper.formats.folded_names import folded
from keymapper.mapping.safe_names import safe_name

_FORBIDDEN = set('"*:<>?\\|') | {chr(code) for code in range(32)} | {"\x7f"}


_BREAKS_SFZ = set("=$")
_AWKWARD = set("#&;%'`!@^~{}[]()+,")


@rule(
    "file-unsafe-name",
    "warning",
    on="pack",
    limit=200.0,
    unit="characters",
    title="A name that not every system or player takes",
    why="The pack cannot be unpacked everywhere, or a sample is not found.",
    fix="Use letters A to Z, digits, dot, dash, underscore and single blanks only.",
)
def unsafe_name(pack: Pack, limit: float) -> Iterator[Outcome]:
    """Names that Windows, macOS or exFAT refuse, that SFZ cannot say, or that are too long."""
    reported: set[str] = set()
    for file in pack.unnamable:
        message = "has a name that is no valid text"
        yield Hit(file=file, measured=file, limit="a safe name", message=message)
    for file in pack.files:
        if len(file) > limit:
            yield Hit(file=file, measured=len(file), message="has a path that is too long")
        parts = PurePosixPath(file).parts
        for depth, name in enumerate(parts, 1):
            place = "/".join(parts[:depth])
            reason = unsafe_reason(name)
            if reason and place not in reported:
                reported.add(place)
                yield Hit(file=place, measured=name, limit="a safe name", message=reason)


def unsafe_reason(name: str) -> str:
    """Return why not every system or player takes a name, "" where they do."""
    forbidden = sorted(_FORBIDDEN & set(name))
    breaking = sorted(_BREAKS_SFZ & set(name))
    if forbidden:
        return f"has {forbidden[0]!a} in its name, which Windows and exFAT refuse"
    if name != name.rstrip(" .") or name != name.lstrip():
        return "begins or ends with a blank or a dot, which Windows drops"
    if _is_reserved(name):
        return "has a name that Windows keeps for devices"
    if len(name) > 255:
        return "has a name of more than 255 characters"
    if name != unicodedata.normalize("NFC", name):
        return "has accents written as separate marks, which not every system finds"
    if breaking:
        return f"has {breaking[0]!r} in its name, which SFZ cannot say"
    return ""


def _is_reserved(name: str) -> bool:
    """Whether a name is that of a Windows device, which only then is made safe by a leading _."""
    stem = name.split(".")[0]
    return safe_name(stem) == f"_{stem}"


@rule(
    "file-awkward-name",
    "note",
    on="pack",
    title="A name that some players and web pages stumble over",
    why="`#` ends an address on the web, and some SFZ readers stop at such characters.",
    fix="Use letters A to Z, digits, dot, dash, underscore and single blanks only.",
)
def awkward_name(pack: Pack, _limit: float) -> Iterator[Outcome]:
    """Signs and letters beyond ASCII that are allowed and yet cause trouble."""
    for file in pack.files:
        name = PurePosixPath(file).name
        odd = sorted(_AWKWARD & set(name)) or [one for one in name if not one.isascii()]
        if odd and not unsafe_reason(name):
            yield Hit(
                file=file, measured=name, limit="a safe name", message=f"has {odd[0]!r} in its name"
            )


@rule(
    "file-clashing-names",
    "error",
    on="pack",
    title="Two names differ by case or accents only",
    why="On Windows and macOS one file overwrites the other when the pack is unpacked.",
    fix="Rename one of them.",
)
def clashing_names(pack: Pack, _limit: float) -> Iterator[Outcome]:
    """Paths that are equal once case and the writing of accents are ignored."""
    seen: dict[str, str] = {}
    for file in pack.files:
        name = folded(file)
        if name in seen:
            other = seen[name]
            yield Hit(file=file, measured=file, limit=other, message=f"clashes with {other}")
        else:
            seen[name] = file
