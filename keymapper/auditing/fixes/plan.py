"""Decide what is to be mended in every zone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from keymapper.auditing.judging import Judgement
from keymapper.auditing.subject import Pack, PackInstrument, PackZone, loop_of, own_cents
from keymapper.model.keys import is_key
from keymapper.model.loop import Loop

PRE_ROLL_SECONDS = 0.003
_TUNING_RULES = frozenset(
    (
        "tuning-slightly-off",
        "tuning-off",
        "tuning-wrong-key",
        "tuning-octave",
        "tuning-neighbours",
        "tuning-turns",
        "tuning-layers",
    )
)
_LOOP_RULES = frozenset(
    (
        "loop-outside-file",
        "loop-on-frame-0",
        "loop-without-points",
        "loop-too-short",
        "loop-audible",
        "loop-mistuned",
        "loop-missing",
    )
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneFix:
    """How a zone is to play; None leaves a figure alone."""

    root_key: int | None = None
    tune_cents: int | None = None
    offset_frames: int | None = None
    loop: Loop | None = None
    no_loop: bool = False
    agree: bool = False
    """Whether what its file says of root and loop is to agree with the zone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WantedLoop:
    """A zone for which a loop is to be found in its audio."""

    file: str
    f0_hz: float | None
    candidates: tuple[Loop, ...]
    """Loops somebody wrote, which may be better than any that is found."""


def zones_to_loop(pack: Pack, judgement: Judgement) -> dict[str, WantedLoop]:
    """Return the samples whose loop has a finding and does not stand on a decaying sound."""
    blamed = _blamed(judgement, _LOOP_RULES | {"loop-embedded-disagrees"})
    wanted = {}
    for zone in pack.zones():
        if zone.facts is None or zone.file is None or (zone.file, zone.label) not in blamed:
            continue
        if zone.region.is_release or zone.shares_file:
            continue
        if zone.facts.measurement.course.sustains:
            pitch = zone.facts.measurement.pitch
            wanted[zone.file] = WantedLoop(
                file=zone.file,
                f0_hz=None if pitch.doubtful else pitch.f0_hz,
                candidates=tuple(dict.fromkeys(one.loop for one in zone.facts.loops)),
            )
    return wanted


def zone_fixes(
    instrument: PackInstrument, judgement: Judgement, loops: Mapping[str, Loop]
) -> list[ZoneFix]:
    """Return what is to be mended, one entry a zone.

    loops : the loops that were found, by file.
    """
    late = {finding.file for finding in judgement.findings if finding.rule == "edge-late-start"}
    unlooped = _blamed(judgement, {"loop-on-decay", "loop-on-release"})
    mistuned = _blamed(judgement, _TUNING_RULES)
    contradicting = _blamed(judgement, {"tuning-embedded-root", "loop-embedded-disagrees"})
    blamed = _blamed(judgement, _LOOP_RULES | {"loop-embedded-disagrees"})
    fixes = []
    for zone in instrument.zones:
        place = (zone.file, zone.label)
        root, tune = _tuning(instrument, zone) if place in mistuned else (None, None)
        fixes.append(
            ZoneFix(
                root_key=root,
                tune_cents=tune,
                offset_frames=_offset(zone) if zone.file in late else None,
                loop=_changed_loop(zone, loops) if place in blamed else None,
                no_loop=place in unlooped,
                agree=place in contradicting,
            )
        )
    return fixes


def _blamed(judgement: Judgement, rules: Sequence[str] | frozenset[str] | set[str]) -> set[object]:
    return {(one.file, one.zone) for one in judgement.findings if one.rule in rules}


def _tuning(instrument: PackInstrument, zone: PackZone) -> tuple[int | None, int | None]:
    """Return root key and `tune` where they change; the octave of the set as a whole stays."""
    deviation = zone.deviation
    if deviation.cents is None:
        return None, None
    cents = own_cents(instrument, zone)
    if abs(cents) <= deviation.error_cents:
        return None, None
    semitones = round(cents / 100) if abs(cents) > 50 else 0
    tune = round(zone.region.own_tune_cents - (cents - 100.0 * semitones))
    root = zone.root_key + semitones
    if not is_key(root):
        return None, None
    return root if semitones else None, tune if tune != zone.region.own_tune_cents else None


def _offset(zone: PackZone) -> int | None:
    """Return the frames to skip so that the sound starts at once."""
    if zone.facts is None:
        return None
    frames = round((zone.facts.edges.lead_seconds - PRE_ROLL_SECONDS) * zone.facts.rate)
    return frames if frames > zone.region.offset_frames else None


def _changed_loop(zone: PackZone, loops: Mapping[str, Loop]) -> Loop | None:
    found = loops.get(zone.file or "")
    if found is None or zone.region.loop_mode == "one_shot" or zone.region.is_release:
        return None
    return found if found != loop_of(zone) or zone.loop_from != "opcodes" else None
