"""Crossfades between velocity layers that stay level, however alike the layers are."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from typing import Literal

import numpy as np

from keymapper.exporting.audio import prepared
from keymapper.exporting.sample import SampleOrder
from keymapper.exporting.sfz_file import region_of_zone
from keymapper.formats.sfz import SfzDocument, SfzRegion, parse_sfz, write_sfz
from keymapper.formats.two_sides import read_place
from keymapper.mapping.dynamics import gains_within
from keymapper.mapping.fade_curves import fade_of, faded_range
from keymapper.mapping.fading import cut_where_fades_change, even_through_fade, most_uneven_db
from keymapper.mapping.set_notes import Area, areas_of, by_area
from keymapper.mapping.zones import zones_of
from keymapper.measuring.loops import flattened
from keymapper.model.instrument import VelocityFade, Zone
from keymapper.model.keys import key_name
from keymapper.pipeline.plan import BuildPlan, playback, sample_orders, within_most_volume
from keymapper.proving.events import NoteOn, PlayerSample, PlayerSettings
from keymapper.proving.player import Player

_LISTENING_SECONDS = (0.1, 4.0)
_KEPT_SAMPLES, _KEPT_NOTES = 8, 32
_MOST_UNEVEN_DB = 1.5
"""Anywhere in a fade, whichever repeats meet."""


def with_even_fades(plans: Sequence[BuildPlan]) -> list[BuildPlan]:
    """Return plans whose velocity layers are as loud together, where they fade, as each alone.

    Layers that are alike add up by amplitude, others by power, and what is out of phase takes
    from each other: how alike two layers are is heard by playing both. Players differ in which
    repeats of two layers meet: where the level would depend on that, or two notes all but cancel,
    the layers hand over at once.

    plans : levelled.
    """
    if not plans[0].recipe.zones.velocity_fade:
        return list(plans)
    return within_most_volume([_evened(plan) for plan in plans])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Part:
    """One area of a placed note that fades, as it will be played."""

    note: int
    index: int
    """Among the areas of its note."""
    area: Area
    fade: VelocityFade
    zone: Zone
    region: SfzRegion


Pair = tuple[int, int]
"""A softer and a louder one of several."""
Alike = Mapping[Pair, tuple[float, ...]]
"""The correlations, -1 to 1, of each two parts that fade into each other, on some of their keys."""


def _evened(plan: BuildPlan) -> BuildPlan:
    cut = cut_where_fades_change(plan.assembly.placed)
    plan = replace(plan, assembly=replace(plan.assembly, placed=cut))
    orders = sample_orders(plan)
    parts = _parts(plan, orders)
    alike = _alike(parts, orders)
    at_once = _at_once(plan, parts, alike)
    fading = {pair: values for pair, values in alike.items() if pair not in at_once}
    below, above = _means(fading, 1), _means(fading, 0)
    evened = {
        (part.note, part.index): _evened_area(part, below.get(number), above.get(number))
        for number, part in enumerate(parts)
    }
    placed = tuple(
        replace(
            note,
            areas=tuple(evened.get((index, i), area) for i, area in enumerate(areas_of(note))),
        )
        for index, note in enumerate(cut)
    )
    remarks = (*plan.assembly.remarks, *_remarks(plan, parts, at_once))
    return replace(plan, assembly=replace(plan.assembly, placed=placed, remarks=remarks))


def _parts(plan: BuildPlan, orders: Sequence[SampleOrder]) -> list[_Part]:
    """Return what fades over velocities of the notes that a key starts.

    Scales are left out: they move both layers of a key alike. The brightness knob is open, as when
    an instrument is loaded.
    """
    found: list[tuple[int, int, Area, Zone]] = []
    for number, (note, order) in enumerate(zip(plan.assembly.placed, orders, strict=True)):
        if note.place.trigger == "attack":
            how = replace(playback(plan, note, order.file), brightness=None)
            areas = zip(areas_of(note), by_area(note), strict=True)
            found += [
                (number, index, area, zone)
                for index, (area, part) in enumerate(areas)
                for zone in zones_of(part, how, None, plan.recipe)
            ]
    document = SfzDocument(headers=tuple(region_of_zone(zone) for *_, zone in found))
    regions = parse_sfz(write_sfz(document)).regions
    return [
        _Part(note=note, index=index, area=area, fade=fade, zone=zone, region=region)
        for (note, index, area, zone), region in zip(found, regions, strict=True)
        if (fade := zone.velocity_fade) is not None and zone.velocity_gains
    ]


def _alike(parts: Sequence[_Part], orders: Sequence[SampleOrder]) -> Alike:
    sound = lru_cache(_KEPT_SAMPLES)(partial(_sound, {order.file: order for order in orders}))
    played = lru_cache(_KEPT_NOTES)(partial(_played, sound))
    known: dict[tuple[str, str, int, int], tuple[float, ...]] = {}
    found: dict[Pair, tuple[float, ...]] = {}
    for number, lower in enumerate(parts):
        for other in _fading_into(lower, parts):
            pair = (lower.region, parts[other].region)
            low, high = max(one.lokey for one in pair), min(one.hikey for one in pair)
            same = (pair[0].sample, pair[1].sample, low, high)
            if same not in known:
                root = min(max(pair[0].pitch_keycenter, low), high)
                known[same] = tuple(
                    _correlation(*(played(region, key) for region in pair))
                    for key in sorted({low, root, high})
                )
            found[number, other] = known[same]
    return found


def _fading_into(lower: _Part, parts: Sequence[_Part]) -> list[int]:
    """Return the parts that `lower` fades into, of whatever round robin."""
    one = lower.zone
    return [
        number
        for number, upper in enumerate(parts)
        if upper.fade.in_high > 0
        and upper.fade.in_low == lower.fade.out_low
        and max(one.low_key, upper.zone.low_key) <= min(one.high_key, upper.zone.high_key)
    ]


def _at_once(plan: BuildPlan, parts: Sequence[_Part], alike: Alike) -> frozenset[Pair]:
    """Return the pairs of parts that hand over at once: all repeats of two roots, or none."""
    below, above = _means(alike, 1), _means(alike, 0)
    groups: dict[tuple[object, object], list[Pair]] = defaultdict(list)
    for lower, upper in alike:
        places = (plan.assembly.placed[parts[number].note].place for number in (lower, upper))
        one, other = ((place.low_velocity, place.low_key) for place in places)
        groups[one, other].append((lower, upper))
    return frozenset(
        pair
        for pairs in groups.values()
        if any(
            most_uneven_db(value, below[upper], above[lower]) > _MOST_UNEVEN_DB
            for lower, upper in pairs
            for value in alike[lower, upper]
        )
        for pair in pairs
    )


def _means(alike: Alike, side: Literal[0, 1]) -> dict[int, float]:
    """Return how alike each part is on average to those it fades into (0), or out of which (1)."""
    values: dict[int, list[float]] = defaultdict(list)
    for pair, found in alike.items():
        values[pair[side]] += found
    return {number: sum(some) / len(some) for number, some in values.items()}


def _evened_area(part: _Part, below: float | None, above: float | None) -> Area:
    """Return an area with its level even through its fades.

    below, above : how alike it is to what it fades in over and out into; None where it does not,
    or hands over at once.
    """
    area = replace(
        part.area,
        fade_below=0 if below is None else part.area.fade_below,
        fade_above=0 if above is None else part.area.fade_above,
    )
    own = (area.low_velocity, area.high_velocity)
    fade = fade_of(own, area.fade_below, area.fade_above)
    sounding = faded_range(own, area.fade_below, area.fade_above)
    gains = gains_within(part.area.velocity_gains, sounding)
    if fade is not None:
        gains = even_through_fade(gains, fade, below, above)
    return replace(area, velocity_gains=gains)


def _remarks(plan: BuildPlan, parts: Sequence[_Part], at_once: Iterable[Pair]) -> tuple[str, ...]:
    placed = plan.assembly.placed
    roots = {placed[parts[lower].note].decision.root_key for lower, _ in at_once}
    if not roots:
        return ()
    where = " ".join(key_name(key) for key in sorted(roots))
    return (
        "layers hand over at once where their recordings would cancel, or swing in level by key "
        f"or repeat, while they fade ({where})",
    )


def _played(sound: Callable[[str], PlayerSample], region: SfzRegion, key: int) -> np.ndarray:
    """Return a zone by itself on a key, without its attack; shape (values,)."""
    samples = {region.sample: sound(region.sample)}
    settings = PlayerSettings(rate=samples[region.sample].rate)
    first, last = (round(seconds * settings.rate) for seconds in _LISTENING_SECONDS)
    player = Player((region,), samples, settings)
    note = NoteOn(at_frame=0, key=key, velocity=(region.lovel + region.hivel) // 2)
    voices = player.voices((note,), region.seq_position - 1)
    return np.asarray(player.render(voices, last)[first:].ravel())


def _correlation(lower: np.ndarray, upper: np.ndarray) -> float:
    one, other = lower.astype(np.float64), upper.astype(np.float64)
    power = float(np.sqrt(np.dot(one, one) * np.dot(other, other)))
    return float(np.dot(one, other)) / power if power > 0.0 else 0.0


def _sound(orders: Mapping[str, SampleOrder], file: str) -> PlayerSample:
    """Return a sample as it will be written, but for its bits and the crossfade of its loop."""
    order = orders[file]
    audio = read_place(order.source)
    note, rate = prepared(audio.samples, audio.info.rate, order.preparation), order.preparation.rate
    looped = order.loop.loop is not None
    return PlayerSample(samples=flattened(note, rate, order.loop) if looped else note, rate=rate)
