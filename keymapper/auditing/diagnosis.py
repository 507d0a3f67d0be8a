"""Why a set of notes deviates, in figures and in one plain sentence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median

import numpy as np

from keymapper.auditing.drift_fit import Deviations, DriftFit, fit_drift
from keymapper.auditing.drift_words import advice_of, sentence_of
from keymapper.auditing.reading import ReadPack
from keymapper.auditing.recording_order import NO_ORDER, RecordingOrder, recording_order
from keymapper.auditing.subject import PackInstrument, PackZone, own_cents
from keymapper.model.finding import Diagnosis, Estimate, Explained, TuningRow, WarmUp
from keymapper.model.sample_facts import SampleFacts

LEAST_NOTES = 3
FARTHEST_CENTS = 60.0
"""What is farther off is another note, and an outlier without being fitted."""
OUTLIER_SCALES = 4.0
LEAST_OUTLIER_CENTS = 1.2
USUAL_VELOCITY = 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TunedNote:
    """What a diagnosis needs to know of one note."""

    file: str
    zone: str
    root_key: int
    played_velocity: float
    """Named, or the middle of its layer."""
    velocity: int | None
    """As its name says."""
    round_robin: int | None
    cents: float | None
    """Off its key; None where no pitch can be trusted."""
    error_cents: float
    reason: str


def diagnosed_set(read: ReadPack, instrument: PackInstrument) -> Diagnosis | None:
    """Return why the notes of an instrument deviate; None where fewer than 3 can be judged."""
    if not instrument.tuned:
        return None
    zones = _one_a_file(instrument.zones)
    order = _order_of(read, [zone for zone in zones if zone.deviation.cents is not None])
    notes = [_tuned_note(instrument, zone) for zone in zones]
    return diagnosed(instrument.name or "recordings", notes, order)


def _one_a_file(zones: Sequence[PackZone]) -> list[PackZone]:
    found: dict[str, PackZone] = {}
    for zone in zones:
        if zone.file is not None and zone.region.sounds_when_pressed:
            found.setdefault(zone.file, zone)
    return [found[file] for file in sorted(found)]


def _tuned_note(instrument: PackInstrument, zone: PackZone) -> TunedNote:
    hint = zone.hint
    named = None if hint is None else hint.velocity
    middle = (zone.region.lovel + zone.region.hivel) / 2
    return TunedNote(
        file=zone.file or "",
        zone=zone.label,
        root_key=zone.root_key,
        played_velocity=middle if named is None else float(named),
        velocity=named,
        round_robin=None if hint is None else hint.round_robin,
        cents=None if zone.deviation.cents is None else own_cents(instrument, zone),
        error_cents=zone.deviation.error_cents,
        reason=zone.deviation.reason,
    )


def _order_of(read: ReadPack, zones: Sequence[PackZone]) -> RecordingOrder:
    facts: dict[str, SampleFacts] = {
        zone.file: zone.facts for zone in zones if zone.file and zone.facts
    }
    return recording_order(read, facts, {zone.file: zone.hint for zone in zones if zone.file})


def diagnosed(name: str, notes: Sequence[TunedNote], order: RecordingOrder) -> Diagnosis | None:
    """Return why the notes of a set deviate; None where fewer than 3 can be judged.

    order : used only where it knows every note that can be judged.
    """
    judged = [note for note in notes if note.cents is not None]
    near = [note for note in judged if abs(note.cents or 0.0) <= FARTHEST_CENTS]
    if len(near) < LEAST_NOTES:
        return None
    if not all(note.file in order.place for note in judged):
        order = NO_ORDER
    fit = fit_drift(_deviations(near, order))
    return _diagnosis(name, notes, near, (order, fit, _outliers(judged, near, fit)))


def _deviations(notes: Sequence[TunedNote], order: RecordingOrder) -> Deviations:
    velocity = np.array([(note.played_velocity - USUAL_VELOCITY) / 100 for note in notes])
    time = None
    if order.place:
        time = np.array([order.place[note.file] for note in notes])
        time = time - time.min()
    return Deviations(
        cents=np.array([note.cents for note in notes], dtype=float),
        error_cents=np.array([note.error_cents for note in notes]),
        octaves=np.array([(note.root_key - 60) / 12 for note in notes]),
        velocity=velocity if np.ptp(velocity) > 0 else None,
        time=time,
    )


def _outliers(judged: Sequence[TunedNote], near: Sequence[TunedNote], fit: DriftFit) -> set[str]:
    limit = max(OUTLIER_SCALES * fit.scale, LEAST_OUTLIER_CENTS)
    rests = dict(zip((note.file for note in near), fit.rest, strict=True))
    found = set()
    for note in judged:
        rest = rests.get(note.file)
        if rest is None or abs(rest) > max(limit, 2 * note.error_cents):
            found.add(note.file)
    return found


def _diagnosis(
    name: str,
    notes: Sequence[TunedNote],
    near: Sequence[TunedNote],
    found: tuple[RecordingOrder, DriftFit, set[str]],
) -> Diagnosis:
    order, fit, outliers = found
    middle = median(
        (note.cents or 0.0) - rest for note, rest in zip(near, fit.rest.tolist(), strict=True)
    )
    has_velocity = "velocity" in fit.columns
    diagnosis = Diagnosis(
        set_name=name,
        notes=len(near),
        offset_cents=_estimate(fit, "offset"),
        middle_cents=round(middle, 3),
        slope_cents_per_octave=_estimate(fit, "slope"),
        warm_up=_warm_up(fit, near, order),
        velocity_cents=_estimate(fit, "velocity", _span(near)) if has_velocity else None,
        rest_cents=round(fit.scale, 3),
        explained=_explained(fit),
        outliers=tuple(sorted(outliers)),
        order_from=order.source,
        inseparable=fit.inseparable,
        sentence="",
        advice=(),
        notes_table=tuple(_rows(notes, near, found)),
    )
    return _in_words(diagnosis)


def _in_words(diagnosis: Diagnosis) -> Diagnosis:
    return replace(diagnosis, sentence=sentence_of(diagnosis), advice=advice_of(diagnosis))


def _estimate(fit: DriftFit, column: str, steps: float = 1.0) -> Estimate:
    value, error = fit.value(column), fit.error(column)
    return Estimate(value=round(steps * value, 4), error=round(steps * error, 4))


def _span(notes: Sequence[TunedNote]) -> float:
    """Return how far the softest and the hardest notes are apart, in 100 velocities."""
    return float(np.ptp([note.played_velocity for note in notes])) / 100


def _warm_up(fit: DriftFit, notes: Sequence[TunedNote], order: RecordingOrder) -> WarmUp | None:
    if fit.kind == "none":
        return None
    places = [order.place[note.file] for note in notes]
    constant = fit.time_constant
    return WarmUp(
        kind=fit.kind,
        depth_cents=_estimate(fit, "depth"),
        settling_minutes=None if constant is None else round(constant, 4),
        span_minutes=round(max(places) - min(places), 4),
        in_minutes=order.in_minutes,
    )


def _explained(fit: DriftFit) -> Explained:
    """Shares of the variance of the fitting notes, by its parts."""
    kept = fit.weights > 0
    variances = {
        name: float(np.var(fit.parts[kept, at]))
        for at, name in enumerate(fit.columns)
        if name != "offset"
    }
    rest = float(np.var(fit.rest[kept]))
    total = sum(variances.values()) + rest

    def share(name: str) -> float:
        return round(variances.get(name, 0.0) / total, 4) if total > 0 else 0.0

    return Explained(
        slope=share("slope"),
        warm_up=share("depth"),
        velocity=share("velocity"),
        rest=round(rest / total, 4) if total > 0 else 0.0,
    )


def _rows(
    notes: Sequence[TunedNote],
    near: Sequence[TunedNote],
    found: tuple[RecordingOrder, DriftFit, set[str]],
) -> list[TuningRow]:
    order, fit, outliers = found
    rests = dict(zip((note.file for note in near), fit.rest.tolist(), strict=True))
    rows = []
    for note in notes:
        cents = None if note.cents is None else round(note.cents, 3)
        rest = rests.get(note.file)
        place = order.place.get(note.file)
        rows.append(
            TuningRow(
                file=note.file,
                zone=note.zone,
                key=note.root_key,
                velocity=note.velocity,
                round_robin=note.round_robin,
                minutes=None if place is None else round(place, 4),
                measured_cents=cents,
                error_cents=None if cents is None else round(note.error_cents, 3),
                explained_cents=None if rest is None or cents is None else round(cents - rest, 3),
                rest_cents=None if rest is None else round(rest, 3),
                outlier=note.file in outliers,
                reason=note.reason,
            )
        )
    return rows
