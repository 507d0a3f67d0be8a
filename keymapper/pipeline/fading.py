"""Crossfades between velocity layers that stay level, however alike the layers are."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache, partial

import numpy as np

from keymapper.exporting.audio import prepared
from keymapper.exporting.sample import SampleOrder
from keymapper.exporting.sfz_file import region_of_zone
from keymapper.formats.sfz import SfzDocument, SfzRegion, parse_sfz, write_sfz
from keymapper.formats.two_sides import read_place
from keymapper.mapping.dynamics import even_through_fade
from keymapper.mapping.filling import by_area, cut_where_fades_change, with_gains
from keymapper.mapping.zones import zones_of
from keymapper.measuring.loops import flattened
from keymapper.model.instrument import VelocityFade, VelocityGain, Zone
from keymapper.pipeline.plan import BuildPlan, playback, sample_orders, within_most_volume
from keymapper.proving.events import NoteOn, PlayerSample, PlayerSettings
from keymapper.proving.player import Player

_LISTENING_SECONDS = (0.1, 4.0)
_KEPT_SAMPLES = 8


def with_even_fades(plans: Sequence[BuildPlan]) -> list[BuildPlan]:
    """Return plans whose velocity layers are as loud together, where they fade, as each alone.

    Layers that are alike add up by amplitude, others by power, and what is out of phase takes
    from each other: how alike two layers are is heard by playing both.

    plans : levelled.
    """
    if not plans[0].recipe.zones.velocity_fade:
        return list(plans)
    return within_most_volume([_evened(plan) for plan in plans])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Part:
    """One area of a placed note that fades, as it will be played."""

    note: int
    area: int
    gains: tuple[VelocityGain, ...]
    fade: VelocityFade
    zone: Zone
    region: SfzRegion


def _evened(plan: BuildPlan) -> BuildPlan:
    cut = cut_where_fades_change(plan.assembly.placed)
    plan = replace(plan, assembly=replace(plan.assembly, placed=cut))
    orders = sample_orders(plan)
    parts = _parts(plan, orders)
    sound = lru_cache(_KEPT_SAMPLES)(partial(_sound, {order.file: order for order in orders}))
    alike = {
        (lower, upper): _likeness((parts[lower].region, parts[upper].region), sound)
        for lower, part in enumerate(parts)
        for upper in _fading_into(part, parts)
    }
    evened = {
        (part.note, part.area): _evened_gains(part, number, alike)
        for number, part in enumerate(parts)
    }
    placed = tuple(
        with_gains(
            note,
            [
                evened.get((index, area), part.velocity_gains)
                for area, part in enumerate(by_area(note))
            ],
        )
        for index, note in enumerate(plan.assembly.placed)
    )
    return replace(plan, assembly=replace(plan.assembly, placed=placed))


def _parts(plan: BuildPlan, orders: Sequence[SampleOrder]) -> list[_Part]:
    """Return what fades over velocities of the notes that a key starts.

    Scales are left out: they move both layers of a key alike. The brightness knob is open, as when
    an instrument is loaded.
    """
    found: list[tuple[int, int, Zone]] = []
    for index, (note, order) in enumerate(zip(plan.assembly.placed, orders, strict=True)):
        if note.place.trigger == "attack":
            how = replace(playback(plan, note, order.file), brightness=None)
            found += [
                (index, area, zone)
                for area, part in enumerate(by_area(note))
                for zone in zones_of(part, how, None, plan.recipe)
            ]
    document = SfzDocument(headers=tuple(region_of_zone(zone) for _, _, zone in found))
    regions = parse_sfz(write_sfz(document)).regions
    return [
        _Part(
            note=index,
            area=area,
            gains=zone.velocity_gains,
            fade=zone.velocity_fade,
            zone=zone,
            region=region,
        )
        for (index, area, zone), region in zip(found, regions, strict=True)
        if zone.velocity_fade is not None and zone.velocity_gains
    ]


def _evened_gains(
    part: _Part, number: int, alike: Mapping[tuple[int, int], float]
) -> tuple[VelocityGain, ...]:
    below = [value for (_, upper), value in alike.items() if upper == number]
    above = [value for (lower, _), value in alike.items() if lower == number]
    return even_through_fade(part.gains, part.fade, _mean(below), _mean(above))


def _fading_into(lower: _Part, parts: Sequence[_Part]) -> list[int]:
    """Return the parts that `lower` fades into: of its round robin, where they have as many."""
    one = lower.zone
    return [
        number
        for number, upper in enumerate(parts)
        if upper.fade.in_high > 0
        and upper.fade.in_low == lower.fade.out_low
        and max(one.low_key, upper.zone.low_key) <= min(one.high_key, upper.zone.high_key)
        and (
            one.round_robins != upper.zone.round_robins or one.round_robin == upper.zone.round_robin
        )
    ]


def _likeness(pair: tuple[SfzRegion, SfzRegion], sound: Callable[[str], PlayerSample]) -> float:
    """Return the correlation, -1 to 1, of two zones played on the keys they share."""
    low, high = max(one.lokey for one in pair), min(one.hikey for one in pair)
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
