"""Crossfades between velocity layers that stay level, however alike the layers are."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache, partial

import numpy as np

from keymapper.exporting.audio import prepared
from keymapper.exporting.sample import SampleOrder
from keymapper.exporting.sfz_file import region_of_zone
from keymapper.formats.sfz import SfzDocument, SfzRegion, parse_sfz, write_sfz
from keymapper.formats.two_sides import read_place
from keymapper.mapping.dynamics import gains_within
from keymapper.mapping.fade_curves import fade_of, faded_range
from keymapper.mapping.fading import (
    cut_where_fades_change,
    even_through_fade,
    meet,
    would_cancel,
)
from keymapper.mapping.set_notes import Area, areas_of, by_area
from keymapper.mapping.zones import zones_of
from keymapper.measuring.loops import flattened
from keymapper.model.instrument import VelocityFade, Zone
from keymapper.model.keys import key_name
from keymapper.pipeline.plan import BuildPlan, playback, sample_orders, within_most_volume
from keymapper.proving.events import NoteOn, PlayerSample, PlayerSettings
from keymapper.proving.player import Player

_LISTENING_SECONDS = (0.1, 4.0)
_KEPT_SAMPLES = 8


def with_even_fades(plans: Sequence[BuildPlan]) -> list[BuildPlan]:
    """Return plans whose velocity layers are as loud together, where they fade, as each alone.

    Layers that are alike add up by amplitude, others by power, and what is out of phase takes
    from each other: how alike two layers are is heard by playing both, for each pair of turns that
    sounds together. A pair that would all but cancel hands over at once.

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


def _evened(plan: BuildPlan) -> BuildPlan:
    cut = cut_where_fades_change(plan.assembly.placed)
    plan = replace(plan, assembly=replace(plan.assembly, placed=cut))
    orders = sample_orders(plan)
    parts = _parts(plan, orders)
    alike = _alike(parts, orders)
    cancelling = _cancelling(parts, alike)
    evened = {
        (part.note, part.index): _evened_area(part, number, parts, alike, cancelling)
        for number, part in enumerate(parts)
    }
    placed = tuple(
        replace(
            note,
            areas=tuple(evened.get((index, i), area) for i, area in enumerate(areas_of(note))),
        )
        for index, note in enumerate(cut)
    )
    remarks = (*plan.assembly.remarks, *_remarks(plan, parts, alike, cancelling))
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


def _alike(parts: Sequence[_Part], orders: Sequence[SampleOrder]) -> dict[Pair, float]:
    """Return the correlation, -1 to 1, of each two parts that fade into each other."""
    sound = lru_cache(_KEPT_SAMPLES)(partial(_sound, {order.file: order for order in orders}))
    known: dict[tuple[str, str, int, int], float] = {}
    found: dict[Pair, float] = {}
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
    """Return the parts that `lower` fades into."""
    return [
        number
        for number, upper in enumerate(parts)
        if upper.fade.in_high > 0
        and upper.fade.in_low == lower.fade.out_low
        and meet(lower.area, upper.area)
    ]


def _cancelling(parts: Sequence[_Part], alike: Mapping[Pair, float]) -> set[Pair]:
    """Return the pairs of notes that would all but cancel while they fade.

    Of a note that meets several at one turn, as it may where turns are many, there are none.
    """
    values: dict[Pair, list[float]] = defaultdict(list)
    for (lower, upper), value in alike.items():
        values[parts[lower].note, parts[upper].note].append(value)
    among_several = {
        part.note
        for number, part in enumerate(parts)
        for side in (_below(number, alike), _above(number, alike))
        if len({parts[other].note for other in side}) > 1
    }
    return {
        pair
        for pair, found in values.items()
        if would_cancel(sum(found) / len(found)) and not among_several & set(pair)
    }


def _below(number: int, alike: Mapping[Pair, float]) -> list[int]:
    return [lower for lower, upper in alike if upper == number]


def _above(number: int, alike: Mapping[Pair, float]) -> list[int]:
    return [upper for lower, upper in alike if lower == number]


def _evened_area(
    part: _Part,
    number: int,
    parts: Sequence[_Part],
    alike: Mapping[Pair, float],
    cancelling: set[Pair],
) -> Area:
    below, above = _below(number, alike), _above(number, alike)
    in_at_once = any((parts[other].note, part.note) in cancelling for other in below)
    out_at_once = any((part.note, parts[other].note) in cancelling for other in above)
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
            None if in_at_once else _mean([alike[other, number] for other in below]),
            None if out_at_once else _mean([alike[number, other] for other in above]),
        )
    return replace(area, velocity_gains=gains)


def _remarks(
    plan: BuildPlan,
    parts: Sequence[_Part],
    alike: Mapping[Pair, float],
    cancelling: set[Pair],
) -> tuple[str, ...]:
    if not cancelling:
        return ()
    pairs = {(parts[lower].note, parts[upper].note) for lower, upper in alike}
    roots = {plan.assembly.placed[lower].decision.root_key for lower, _ in cancelling}
    where = " ".join(key_name(key) for key in sorted(roots))
    return (
        f"{len(cancelling)} of {len(pairs)} pairs of notes would all but cancel while one fades "
        f"into the other, and hand over at once ({where})",
    )


def _likeness(
    pair: tuple[SfzRegion, SfzRegion],
    keys: tuple[int, int],
    sound: Callable[[str], PlayerSample],
) -> float:
    """Return the correlation, -1 to 1, of two zones played on the keys they share."""
    low, high = keys
    samples = {region.sample: sound(region.sample) for region in pair}
    root = min(max(pair[0].pitch_keycenter, low), high)
    values = [_correlation(pair, samples, key) for key in sorted({low, root, high})]
    return sum(values) / len(values)


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


def _mean(values: Sequence[float]) -> float | None:
    return sum(values) / len(values) if values else None
