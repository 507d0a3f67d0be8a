"""What needs attention in a build or a proof: doubts, findings and skipped files."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from keymapper.model.finding import GRAVITY, Severity
from keymapper.model.instrument import Doubt, SkippedFile
from keymapper.model.proof import ProofFinding
from keymapper.reporting.page.charts import signed_text
from keymapper.reporting.page.content import Attention, FoundPlace

_MEASURED = re.compile(r"\s*\(([^()]*)\)$")
_NUMBER = re.compile(r"[-+]?\d+(\.\d+)?")
_ACTIONS = {
    "pitch": "listen to it and, where it is wrong, write its root into the recipe",
    "name": "listen to it; the sound was believed, so rename the file or correct it in the recipe",
    "loop": "listen to its join, and give another loop in the recipe if you hear it",
    "level": "record it again at another level",
    "file": "copy or record the file again",
    "channels": "check the cable or the panning, and record it again",
    "set": "check it, and correct it in the recipe",
}


def doubts_attention(
    doubts: Iterable[Doubt], skipped: Sequence[SkippedFile], notes: Mapping[str, int]
) -> tuple[Attention, ...]:
    """Return what a build doubts and what it left out.

    notes : which note of the page each recording is.
    """
    groups: dict[tuple[str, str], list[_Doubted]] = {}
    for doubt in doubts:
        one = _doubted(doubt)
        groups.setdefault((_NUMBER.sub("", one.what), one.action), []).append(one)
    things = [
        thing("warning", some[0].what, some[0].action, [_doubt_place(n, some, notes) for n in some])
        for some in groups.values()
    ]
    if skipped:
        places = [FoundPlace(where=one.file, measured=one.reason) for one in skipped]
        action = "leave it if it is no recording of this sound; else mend it and build again"
        things.append(thing("note", "left out of the instrument", action, places))
    return tuple(things)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Doubted:
    """A doubt taken apart: what is the matter, the figure behind it, and what to do."""

    file: str
    what: str
    measured: str
    action: str


def _doubted(doubt: Doubt) -> _Doubted:
    what, _, action = doubt.message.rpartition("; ")
    what, action = (what, action) if what else (action, _ACTIONS[doubt.about])
    found = _MEASURED.search(what)
    return _Doubted(
        file=doubt.file,
        what=_MEASURED.sub("", what),
        measured=found[1] if found else "",
        action=action,
    )


def _doubt_place(one: _Doubted, group: Sequence[_Doubted], notes: Mapping[str, int]) -> FoundPlace:
    """Return a place; where the doubts of a group differ in their words, it brings its own."""
    told = one.measured if one.what == group[0].what else f"{one.what} {one.measured}".strip()
    return FoundPlace(where=one.file, measured=told, note=notes.get(one.file))


def findings_attention(
    findings: Iterable[ProofFinding], notes: Mapping[str, int]
) -> tuple[Attention, ...]:
    """Return findings rule by rule, the gravest first, in the order they came.

    notes : which note of the page each sample file is.
    """
    groups: dict[tuple[Severity, str], list[ProofFinding]] = {}
    for finding in findings:
        groups.setdefault((finding.severity, finding.rule), []).append(finding)
    things = [
        thing(severity, some[0].message, some[0].fix, [_place(one, notes) for one in some])
        for (severity, _), some in groups.items()
    ]
    return tuple(sorted(things, key=lambda one: -GRAVITY[one.severity]))


def gravest(things: Iterable[Attention]) -> Severity | None:
    """Return the gravest severity among things; None where there are none."""
    found = {one.severity for one in things}
    return max(found, key=GRAVITY.__getitem__, default=None)


def thing(severity: Severity, what: str, action: str, places: Sequence[FoundPlace]) -> Attention:
    """Return one thing in whole sentences."""
    return Attention(
        severity=severity, what=_sentence(what), action=_sentence(action), places=tuple(places)
    )


def _sentence(text: str) -> str:
    text = text.strip().rstrip(".")
    return f"{text[:1].upper()}{text[1:]}."


def _place(finding: ProofFinding, notes: Mapping[str, int]) -> FoundPlace:
    where = " · ".join(text for text in (finding.zone, finding.file) if text)
    return FoundPlace(
        where=where or "the whole set",
        measured=_measured(finding),
        note=notes.get(finding.file or ""),
    )


def _measured(finding: ProofFinding) -> str:
    if finding.measured is None:
        return ""
    limit = "" if finding.limit is None else f" (limit {_figure(finding.limit)})"
    return f"{_figure(finding.measured)} {finding.unit}{limit}".replace("  ", " ")


def _figure(value: float) -> str:
    return signed_text(value, 2)
