"""Crossfades between velocity layers that stay level, however alike the layers are."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Container, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache, partial

import numpy as np

from keymapper.exporting.audio import prepared
from keymapper.exporting.sample import SampleOrder
from keymapper.exporting.sfz_file import region_of_zone
from keymapper.formats.sfz import SfzDocument, SfzRegion, parse_sfz, write_sfz
from keymapper.formats.two_sides import read_place
from keymapper.mapping.dynamics import (
    even_through_fade,
    fade_of,
    faded_range,
    gains_within,
    most_uneven_db,
)
from keymapper.mapping.filling import areas_of, by_area, cut_where_fades_change
from keymapper.mapping.set_notes import Area
from keymapper.mapping.zones import zones_of
from keymapper.measuring.loops import flattened
from keymapper.model.instrument import VelocityFade, Zone
from keymapper.model.keys import key_name
from keymapper.pipeline.plan import BuildPlan, playback, sample_orders, within_most_volume
from keymapper.proving.events import NoteOn, PlayerSample, PlayerSettings
from keymapper.proving.player import Player

_LISTENING_SECONDS = (0.1, 4.0)
_KEPT_SAMPLES = 8
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
    evened = {
        (part.note, part.index): _evened_area(part, number, alike, at_once)
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
    known: dict[tuple[str, str, int, int], tuple[float, ...]] = {}
    found: dict[Pair, tuple[float, ...]] = {}
    for number, lower in enumerate(parts):
        for other in _fading_into(lower, parts):
            pair = (lower.region, parts[other].region)
            low, high = max(one.lokey for one in pair), min(one.hikey for one in pair)
            same = (pair[0].sample, pair[1].sample, low, high)
            if same not in known:
                known[same] = _likeness(pair, (low, high), sound)
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
    groups: dict[tuple[object, object], list[Pair]] = defaultdict(list)
    for lower, upper in alike:
        places = (plan.assembly.placed[parts[number].note].place for number in (lower, upper))
        one, other = ((place.low_velocity, place.low_key) for place in places)
        groups[one, other].append((lower, upper))
    return frozenset(
        pair
        for pairs in groups.values()
        if any(_is_uneven(pair, alike) for pair in pairs)
        for pair in pairs
    )


def _is_uneven(pair: Pair, alike: Alike) -> bool:
    lower, upper = pair
    made_for = _mean(_below(upper, alike)), _mean(_above(lower, alike))
    return any(most_uneven_db(one, *made_for) > _MOST_UNEVEN_DB for one in alike[pair])


def _below(number: int, alike: Alike) -> list[float]:
    """Return how alike a part is to each that fades out while it fades in."""
    return [one for (_, upper), values in alike.items() if upper == number for one in values]


def _above(number: int, alike: Alike) -> list[float]:
    """Return how alike a part is to each that it fades out into."""
    return [one for (lower, _), values in alike.items() if lower == number for one in values]


def _evened_area(part: _Part, number: int, alike: Alike, at_once: Container[Pair]) -> Area:
    below, above = _below(number, alike), _above(number, alike)
    in_at_once = any(pair in at_once for pair in alike if pair[1] == number)
    out_at_once = any(pair in at_once for pair in alike if pair[0] == number)
    area = replace(
        part.area,
        fade_below=0 if in_at_once else part.area.fade_below,
        fade_above=0 if out_at_once else part.area.fade_above,
    )
    own = (area.low_velocity, area.high_velocity)
    fade = fade_of(own, area.fade_below, area.fade_above)
    gains = gains_within(
        part.area.velocity_gains, faded_range(own, area.fade_below, area.fade_above)
    )
    if fade is not None:
        gains = even_through_fade(
            gains,
            fade,
            _mean(below) if below and not in_at_once else None,
            _mean(above) if above and not out_at_once else None,
        )
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


def _likeness(
    pair: tuple[SfzRegion, SfzRegion],
    keys: tuple[int, int],
    sound: Callable[[str], PlayerSample],
) -> tuple[float, ...]:
    """Return the correlation, -1 to 1, of two zones on the lowest, root and highest shared key."""
    low, high = keys
    samples = {region.sample: sound(region.sample) for region in pair}
    root = min(max(pair[0].pitch_keycenter, low), high)
    return tuple(_correlation(pair, samples, key) for key in sorted({low, root, high}))


def _correlation(
    pair: tuple[SfzRegion, SfzRegion], samples: Mapping[str, PlayerSample], key: int
) -> float:
    settings = PlayerSettings(rate=samples[pair[0].sample].rate)
    first, last = (round(seconds * settings.rate) for seconds in _LISTENING_SECONDS)
    lower, upper = (
        _alone(Player((region,), samples, settings), region, key, last)[first:].ravel()
        for region in pair
    )
    power = float(np.sqrt(np.dot(lower, lower) * np.dot(upper, upper)))
    return float(np.dot(lower, upper)) / power if power > 0.0 else 0.0


def _alone(player: Player, region: SfzRegion, key: int, frames: int) -> np.ndarray:
    note = NoteOn(at_frame=0, key=key, velocity=(region.lovel + region.hivel) // 2)
    voices = player.voices((note,), region.seq_position - 1)
    return player.render(voices, frames).astype(np.float64)


def _sound(orders: Mapping[str, SampleOrder], file: str) -> PlayerSample:
    """Return a sample as it will be written, but for its bits and the crossfade of its loop."""
    order = orders[file]
    audio = read_place(order.source)
    note, rate = prepared(audio.samples, audio.info.rate, order.preparation), order.preparation.rate
    looped = order.loop.loop is not None
    return PlayerSample(samples=flattened(note, rate, order.loop) if looped else note, rate=rate)


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)
