"""How far zones, and the set they make, lie from their keys."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from keymapper.auditing.parts import parts_of, placed_in_parts
from keymapper.auditing.subject import Deviation, PackInstrument, PackZone
from keymapper.model.pitch import DOUBT_TEXT

UNSET = Deviation(cents=None, error_cents=0.0, reason="")


def as_set(instrument: PackInstrument) -> PackInstrument:
    """Return an instrument whose zones know how far they are off, and the set as a whole."""
    if not instrument.tuned:
        reason = "one-shots are not tuned to their keys"
        unset = Deviation(cents=None, error_cents=0.0, reason=reason)
        zones = tuple(
            replace(zone, deviation=unset, part=part)
            for zone, part in zip(instrument.zones, parts_of(instrument.zones), strict=True)
        )
        return replace(instrument, zones=zones)
    deviating = [
        replace(zone, deviation=_deviation(zone, instrument.reference_hz))
        for zone in instrument.zones
    ]
    zones, semitones = placed_in_parts(deviating)
    return replace(instrument, zones=zones, offset_semitones=semitones)


def is_kit(zones: Sequence[PackZone], reference_hz: float) -> bool:
    """Whether zones are one-shots on keys of their own that say nothing about pitch."""
    measured = [zone for zone in zones if zone.facts]
    if not measured:
        return False
    single = sum(zone.region.lokey == zone.region.hikey for zone in measured)
    shots = sum(
        zone.region.loop_mode == "one_shot" or not zone.facts.measurement.course.sustains
        for zone in measured
        if zone.facts
    )
    judged = [_deviation(zone, reference_hz) for zone in measured]
    in_tune = sum(one.cents is not None and abs(one.cents) < 50 for one in judged)
    return min(single, shots) >= 0.8 * len(measured) and in_tune < 0.5 * len(measured)


def _deviation(zone: PackZone, reference_hz: float) -> Deviation:
    """Return how sharp a zone plays at its root key, against its key and the reference.

    The cycle of a wave is too short to be heard; its length tells what it sounds at.
    """
    region, facts = zone.region, zone.facts
    if zone.sample is None:
        return replace(UNSET, reason="its sample is missing")
    if facts is None:
        return replace(UNSET, reason=zone.sample.unreadable)
    if region.pitch_keytrack_cents == 0:
        return replace(UNSET, reason="every key plays the same pitch (pitch_keytrack=0)")
    if zone.is_wave and zone.loop is not None and zone.loop.cycle_hz is not None:
        sounding = 1200 * math.log2(zone.loop.cycle_hz / reference_hz) + 100 * (69 - zone.root_key)
        return Deviation(cents=_as_played(sounding, zone), error_cents=0.0, reason="")
    pitch = facts.measurement.pitch
    if pitch.doubtful or pitch.root_key is None or pitch.tuning_cents is None:
        reasons = [DOUBT_TEXT.get(word, word) for word in pitch.doubts]
        return replace(UNSET, reason="; ".join(reasons) or "no pitch could be trusted")
    sounding = 100.0 * (pitch.root_key - zone.root_key) + pitch.tuning_cents
    return Deviation(
        cents=_as_played(sounding, zone), error_cents=pitch.tuning_error_cents or 0.0, reason=""
    )


def _as_played(sounding_cents: float, zone: PackZone) -> float:
    """Return how sharp a zone plays of its key, whose sample is so sharp of its root."""
    region = zone.region
    corrected = sounding_cents + region.tune_cents + 100.0 * region.transpose_semitones
    return corrected - zone.target_cents
