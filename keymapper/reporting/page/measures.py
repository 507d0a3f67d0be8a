"""What the map can be shaded by: the zones by one figure, each single key by how it plays."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from keymapper.model.proof import PlayedNote
from keymapper.reporting.page.content import PageContent, PageZone
from keymapper.reporting.page.scales import ColourScale, nice_step

_LEAST_TUNING_CENTS = 10.0
_JOIN_REACH_DB = 6.0
_USUAL_VELOCITY = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """One way to shade the map; an absent value is drawn as unknown."""

    name: str
    title: str
    scale: ColourScale
    zones: tuple[float | None, ...]
    """In the order of the page's zones."""
    keys: dict[tuple[int, int], float]
    """By instrument and key."""
    strip: str
    """What the strip of single keys shows."""
    unknown: str
    """What it means to have no value; "" where that cannot be."""


def map_measures(content: PageContent) -> list[Measure]:
    """Return the measures that say something here, with scales that fit what was found."""
    tuning, join = _tuning(content), _join(content)
    shown = [tuning] if content.tuning and _any(tuning) else []
    shown += [_level(content), _transposition(content)]
    return [*shown, join] if _any(join) else shown


def _any(measure: Measure) -> bool:
    return any(value is not None for value in measure.zones)


def _tuning(content: PageContent) -> Measure:
    values = tuple(content.notes[zone.note].tuning_cents for zone in content.zones)
    reach = max([_LEAST_TUNING_CENTS, *(abs(value) for value in values if value is not None)])
    return Measure(
        name="tuning",
        title="Tuning as recorded" if any(one.corrected for one in content.tuning) else "Tuning",
        scale=ColourScale.diverging(_rounded_up(reach), "ct", "0"),
        zones=values,
        keys=_played(content, lambda note: note.tuning_cents),
        strip="the strip: each key as the proof played it",
        unknown="no pitch",
    )


def _level(content: PageContent) -> Measure:
    values = tuple(zone.played_dbfs for zone in content.zones)
    low, high = min(values, default=0.0), max(values, default=0.0)
    usual = _usual_velocity(content)
    played = _played(content, lambda note: note.level_dbfs if note.velocity == usual else None)
    middle = sorted(played.values())[len(played) // 2] if played else 0.0
    moved = {key: value - middle + (low + high) / 2 for key, value in played.items()}
    return Measure(
        name="level",
        title="Level as mapped",
        scale=ColourScale.sequential(low, max(high, low + 1.0), "dB"),
        zones=values,
        keys=moved,
        strip=f"the strip: each key as played at velocity {usual}, moved into this scale",
        unknown="",
    )


def _usual_velocity(content: PageContent) -> int:
    velocities = {note.velocity for note in content.proof.notes} if content.proof else set()
    return min(velocities, key=lambda v: (abs(v - _USUAL_VELOCITY), v), default=_USUAL_VELOCITY)


def _transposition(content: PageContent) -> Measure:
    values = tuple(float(_farthest(zone)) for zone in content.zones)
    keys: dict[tuple[int, int], float] = {}
    for zone in content.zones:
        for key in range(zone.zone.low_key, zone.zone.high_key + 1):
            place = (zone.instrument, key)
            keys[place] = max(keys.get(place, 0.0), float(abs(key - zone.zone.root_key)))
    return Measure(
        name="transposition",
        title="Transposition",
        scale=ColourScale.sequential(0.0, max(7.0, *values) if values else 7.0, "semitones"),
        zones=values,
        keys=keys,
        strip="a zone: its farthest key; the strip: each key",
        unknown="",
    )


def _join(content: PageContent) -> Measure:
    values = tuple(
        content.notes[zone.note].join_db if zone.zone.loop else None for zone in content.zones
    )
    keys: dict[tuple[int, int], float] = {}
    for zone, value in zip(content.zones, values, strict=True):
        for key in range(zone.zone.low_key, zone.zone.high_key + 1):
            place = (zone.instrument, key)
            if value is not None:
                keys[place] = max(keys.get(place, value), value)
    return Measure(
        name="loop",
        title="Loop join",
        scale=ColourScale.diverging(_JOIN_REACH_DB, "dB", "just heard"),
        zones=values,
        keys=keys,
        strip="the strip: the most audible join on each key",
        unknown="no loop",
    )


def _played(
    content: PageContent, value_of: Callable[[PlayedNote], float | None]
) -> dict[tuple[int, int], float]:
    """Return the mean of what the proof, which is of one instrument, measured on each key."""
    found: dict[tuple[int, int], list[float]] = {}
    for note in content.proof.notes if content.proof else ():
        value = value_of(note)
        if value is not None:
            found.setdefault((0, note.key), []).append(value)
    return {key: _mean(values) for key, values in found.items()}


def _mean(values: Iterable[float]) -> float:
    values = list(values)
    return sum(values) / len(values)


def _farthest(zone: PageZone) -> int:
    one = zone.zone
    return max(abs(one.low_key - one.root_key), abs(one.high_key - one.root_key))


def _rounded_up(value: float) -> float:
    step = nice_step(value, 2)
    return next(step * count for count in range(1, 10) if step * count >= value)
