"""What reading an SFZ file gives: the document, its regions, and everything that was odd."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from keymapper.formats.sfz.document import SfzDocument
from keymapper.formats.sfz.region import SfzRegion

ProblemKind = Literal[
    "encoding",  # not UTF-8
    "byte-order-mark",
    "unclosed-comment",
    "stray-text",
    "opcode-before-header",
    "unknown-header",
    "header-case",
    "bad-define",
    "define-clash",
    "undefined-variable",
    "include-missing",
    "include-loop",
    "include-limit",
    "outside-pack",
    "bad-value",
    "value-out-of-range",
    "filter-without-cutoff",
    "region-without-sample",
    "sample-missing",
    "wrong-case",
    "backslash",
    "default-path-reset",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class SfzProblem:
    """One thing that a player may stumble over, with where it stands.

    `subject` is the opcode, path or name concerned; `actual` the name found on disk where the
    kind is ``wrong-case``.
    """

    kind: ProblemKind
    message: str
    file: str
    line: int
    subject: str
    actual: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SfzControl:
    """The ``<control>`` headers taken together.

    `controllers` are the start values (controller, 0..127), `labels` their names.
    """

    controllers: tuple[tuple[int, float], ...] = ()
    labels: tuple[tuple[int, str], ...] = ()
    key_offset: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class SfzCurve:
    """A ``<curve>``: points (0..127, value), joined by straight lines."""

    index: int
    points: tuple[tuple[int, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SfzReading:
    """A whole SFZ file, read.

    `document` has includes and variables worked in and keeps every opcode as written;
    `unknown_opcodes` are those the reader has never heard of, in order of appearance.
    """

    path: Path | None
    document: SfzDocument
    control: SfzControl
    curves: tuple[SfzCurve, ...]
    regions: tuple[SfzRegion, ...]
    included: tuple[Path, ...]
    unknown_opcodes: tuple[str, ...]
    problems: tuple[SfzProblem, ...]
