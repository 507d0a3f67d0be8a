"""A proof in a few lines of text."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from keymapper.model.proof import ONE_SHOT_REASON, STEADY_CENTS, PlayedNote, Proof, ProofFinding
from keymapper.proving.findings import zone_text
from keymapper.proving.judging import Heard
from keymapper.wording import counted


def verdict(heard: Heard, findings: Sequence[ProofFinding]) -> str:
    """Return one sentence: how many notes were played, what was found, and what was left out."""
    played = f"{counted(len(heard.notes), 'note')} played"
    errors = sum(finding.severity == "error" for finding in findings)
    warnings = sum(finding.severity == "warning" for finding in findings)
    out = len(heard.left_out)
    left_out = f"; {counted(out, 'zone')} could not be played" if out else ""
    if not errors and not warnings:
        return f"{played}: {_untold(heard)}everything lies within the limits{left_out}."
    parts = [counted(errors, "error")] * bool(errors) + [counted(warnings, "warning")] * bool(
        warnings
    )
    return f"{played}: {' and '.join(parts)}{left_out}."


def _untold(heard: Heard) -> str:
    """Return the warning that the tuning of no note was judged, unless none has a key; or ""."""
    reasons = {note.not_tuned_reason for note in heard.notes if note.tuning_cents is None}
    if any(note.tuning_cents is not None for note in heard.notes) or reasons <= {ONE_SHOT_REASON}:
        return ""
    return "the tuning of none could be judged; else "


def finding_lines(proof: Proof, shown: int = 5) -> list[str]:
    """Return the findings rule by rule, the gravest first, `shown` places of each."""
    lines = []
    for rule in dict.fromkeys(finding.rule for finding in proof.findings):
        some = [finding for finding in proof.findings if finding.rule == rule]
        first = some[0]
        lines.append(f"{first.severity}: {rule} ({len(some)}): {first.message}; {first.fix}.")
        lines += [f"    {_found(finding)}" for finding in some[:shown]]
        if len(some) > shown:
            lines.append(f"    and {len(some) - shown} more")
    return lines


def _found(finding: ProofFinding) -> str:
    where = "  ".join(text for text in (finding.zone, finding.file) if text)
    if finding.measured is None:
        return where
    limit = "" if finding.limit is None else f" (limit {finding.limit:g})"
    return f"{where}  {finding.measured:+.2f} {finding.unit}{limit}"


def worst_lines(proof: Proof) -> list[str]:
    """Return a line for each thing measured: the worst value, where it lies, and the limit."""
    limits = proof.limits
    cents = [(note.tuning_cents, _place(note)) for note in proof.notes if _is_steady(note)]
    moving = [(note.tuning_cents, _place(note)) for note in proof.notes if not _is_steady(note)]
    steps = [
        (one.step_db, f"after {zone_text(one.key, one.velocity, one.articulation)}")
        for one in proof.level_steps
    ]
    jumps = [
        (one.jump_db, f"after {zone_text(one.key, one.velocity, one.articulation)}")
        for one in proof.hand_overs
    ]
    joins = [(join.audibility.worst_db, f"in {join.sample}") for join in proof.joins]
    ends = [(end.click_db, f"in {end.sample}") for end in proof.ends]
    starts = [(note.start_click_db, _place(note)) for note in proof.notes]
    releases = [(note.release_click_db, _place(note)) for note in proof.notes]
    cuts = [
        (choke.click_db, f"at {zone_text(choke.key, None, choke.articulation)}")
        for choke in proof.chokes
    ]
    lines = [
        *_worst("tuning", cents, f"cents (limit {limits.tuning_cents:g})", signed=True),
        *_worst("tuning, unsteady", moving, "cents", signed=True),
        *_worst("level step", steps, f"dB (limit {limits.neighbour_level_db:g})", signed=True),
        *_worst("hand-over", jumps, f"dB (limit {limits.hand_over_db:g})", signed=True),
        *_worst("loop join", joins, f"dB (heard above {limits.join_db:g})"),
        *_worst("click at start", starts, f"dB (limit {limits.click_db:g})"),
        *_worst("click at note-off", releases, f"dB (limit {limits.click_db:g})"),
        *_worst("click at the end", ends, f"dB (limit {limits.click_db:g})"),
        *_worst("click at choke", cuts, f"dB (limit {limits.click_db:g})"),
    ]
    return [*lines, *_not_tuned_lines(proof)]


def _worst(
    what: str, values: Iterable[tuple[float | None, str]], unit: str, *, signed: bool = False
) -> list[str]:
    """Return a line for the highest value, or the one farthest from 0 if `signed`; or none."""
    measured = [(value, place) for value, place in values if value is not None]
    if not measured:
        return []
    value, place = max(measured, key=lambda one: abs(one[0]) if signed else one[0])
    return [f"{what:<18}{value:+8.2f} {unit}, {place}"]


def _not_tuned_lines(proof: Proof) -> list[str]:
    reasons = Counter(note.not_tuned_reason for note in proof.notes if note.not_tuned_reason)
    return [
        f"tuning not judged on {counted(number, 'note')}: {reason}"
        for reason, number in sorted(reasons.items(), key=lambda item: (-item[1], item[0]))
    ]


def _is_steady(note: PlayedNote) -> bool:
    return note.movement_cents <= STEADY_CENTS


def _place(note: PlayedNote) -> str:
    return f"at {zone_text(note.key, note.velocity, note.articulation)}"
