"""Why a set of notes deviates, in figures and in one plain sentence."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from statistics import median

import numpy as np

from keymapper.auditing.drift_fit import Deviations, Fit, fit_drift
from keymapper.auditing.drift_words import advice_of, sentence_of
from keymapper.auditing.reading import ReadPack
from keymapper.auditing.recording_order import NO_ORDER, RecordingOrder, recording_order
from keymapper.auditing.subject import PackInstrument, PackZone
from keymapper.model.finding import Diagnosis, Estimate, Explained, TuningRow, WarmUp
from keymapper.model.sample_facts import SampleFacts

LEAST_NOTES = 3
FARTHEST_CENTS = 60.0
"""What is farther off is another note, and an outlier without being fitted."""
OUTLIER_SCALES = 4.0
LEAST_OUTLIER_CENTS = 1.2
USUAL_VELOCITY = 100.0


def diagnosed_set(read: ReadPack, instrument: PackInstrument) -> Diagnosis | None:
    """Return why the notes of an instrument deviate; None where fewer than 3 can be judged."""
    if not instrument.tuned:
        return None
    zones = _one_a_file(instrument.zones)
    judged = [zone for zone in zones if zone.deviation.cents is not None]
    near = [zone for zone in judged if abs(_cents(instrument, zone)) <= FARTHEST_CENTS]
    if len(near) < LEAST_NOTES:
        return None
    order = _order_of(read, judged)
    fit = fit_drift(_deviations(instrument, near, order))
    outliers = _outliers(judged, near, fit)
    return _diagnosis(instrument, zones, near, (order, fit, outliers))


def _one_a_file(zones: Sequence[PackZone]) -> list[PackZone]:
    found: dict[str, PackZone] = {}
    for zone in zones:
        if zone.file is not None and zone.region.trigger == "attack":
            found.setdefault(zone.file, zone)
    return [found[file] for file in sorted(found)]


def _cents(instrument: PackInstrument, zone: PackZone) -> float:
    return (zone.deviation.cents or 0.0) - 100.0 * instrument.offset_semitones


def _order_of(read: ReadPack, zones: Sequence[PackZone]) -> RecordingOrder:
    facts: dict[str, SampleFacts] = {
        zone.file: zone.facts for zone in zones if zone.file and zone.facts
    }
    order = recording_order(read, facts, {zone.file: zone.hint for zone in zones if zone.file})
    return order if all(zone.file in order.place for zone in zones) else NO_ORDER


def _velocity(zone: PackZone) -> float:
    """Return the velocity a note was played at: of its name, else the middle of its layer."""
    if zone.hint is not None and zone.hint.velocity is not None:
        return float(zone.hint.velocity)
    return (zone.region.lovel + zone.region.hivel) / 2


def _deviations(
    instrument: PackInstrument, zones: Sequence[PackZone], order: RecordingOrder
) -> Deviations:
    velocity = np.array([(_velocity(zone) - USUAL_VELOCITY) / 100 for zone in zones])
    time = None
    if order.place:
        time = np.array([order.place[zone.file or ""] for zone in zones])
        time = time - time.min()
    return Deviations(
        cents=np.array([_cents(instrument, zone) for zone in zones]),
        error_cents=np.array([zone.deviation.error_cents for zone in zones]),
        octaves=np.array([(zone.root_key - 60) / 12 for zone in zones]),
        velocity=velocity if np.ptp(velocity) > 0 else None,
        time=time,
    )


def _outliers(judged: Sequence[PackZone], near: Sequence[PackZone], fit: Fit) -> set[str]:
    limit = max(OUTLIER_SCALES * fit.scale, LEAST_OUTLIER_CENTS)
    rests = dict(zip((zone.file for zone in near), fit.rest, strict=True))
    found = set()
    for zone in judged:
        rest = rests.get(zone.file)
        if rest is None or abs(rest) > max(limit, 2 * zone.deviation.error_cents):
            found.add(zone.file or "")
    return found


def _diagnosis(
    instrument: PackInstrument,
    zones: Sequence[PackZone],
    near: Sequence[PackZone],
    found: tuple[RecordingOrder, Fit, set[str]],
) -> Diagnosis:
    order, fit, outliers = found
    middle = median(_cents(instrument, zone) for zone in near)
    has_velocity = "velocity" in fit.columns
    diagnosis = Diagnosis(
        set_name=instrument.name or "recordings",
        notes=len(near),
        offset_cents=_estimate(fit, "offset"),
        middle_cents=round(middle, 3),
        slope_cents_per_octave=_estimate(fit, "slope"),
        warm_up=_warm_up(fit, near, order),
        velocity_cents=_estimate(fit, "velocity") if has_velocity else None,
        rest_cents=round(fit.scale, 3),
        explained=_explained(fit),
        outliers=tuple(sorted(outliers)),
        order_from=order.source,
        inseparable=fit.inseparable,
        sentence="",
        advice=(),
        notes_table=tuple(_rows(instrument, zones, (order, fit, outliers), near)),
    )
    return _in_words(diagnosis)


def _in_words(diagnosis: Diagnosis) -> Diagnosis:
    return replace(diagnosis, sentence=sentence_of(diagnosis), advice=advice_of(diagnosis))


def _estimate(fit: Fit, column: str) -> Estimate:
    return Estimate(value=round(fit.value(column), 4), error=round(fit.error(column), 4))


def _warm_up(fit: Fit, zones: Sequence[PackZone], order: RecordingOrder) -> WarmUp | None:
    if fit.kind == "none":
        return None
    places = [order.place[zone.file or ""] for zone in zones]
    constant = fit.time_constant
    return WarmUp(
        kind=fit.kind,
        depth_cents=_estimate(fit, "depth"),
        settling_minutes=None if constant is None else round(constant, 4),
        span_minutes=round(max(places) - min(places), 4),
        in_minutes=order.in_minutes,
    )


def _explained(fit: Fit) -> Explained:
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
    instrument: PackInstrument,
    zones: Sequence[PackZone],
    found: tuple[RecordingOrder, Fit, set[str]],
    near: Sequence[PackZone],
) -> list[TuningRow]:
    order, fit, outliers = found
    rests: Mapping[str | None, float] = dict(
        zip((zone.file for zone in near), fit.rest.tolist(), strict=True)
    )
    rows = []
    for zone in zones:
        known = zone.deviation.cents is not None
        cents = round(_cents(instrument, zone), 3) if known else None
        rest = rests.get(zone.file)
        place = order.place.get(zone.file or "")
        rows.append(
            TuningRow(
                file=zone.file or "",
                zone=zone.label,
                key=zone.root_key,
                velocity=zone.hint.velocity if zone.hint else None,
                round_robin=zone.hint.round_robin if zone.hint else None,
                minutes=None if place is None else round(place, 4),
                measured_cents=cents,
                error_cents=round(zone.deviation.error_cents, 3) if known else None,
                explained_cents=None if rest is None or cents is None else round(cents - rest, 3),
                rest_cents=None if rest is None else round(rest, 3),
                outlier=zone.file in outliers,
                reason=zone.deviation.reason,
            )
        )
    return rows
