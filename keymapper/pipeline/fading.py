"""Crossfades between velocity layers that stay level, however alike the layers are."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np

from keymapper.exporting.sfz_file import sfz_document
from keymapper.formats.sfz import SfzRegion, parse_sfz, write_sfz
from keymapper.mapping.dynamics import even_through_fade
from keymapper.model.instrument import Manifest, Zone
from keymapper.proving.events import NoteOn, PlayerSample, PlayerSettings
from keymapper.proving.player import Player

_LISTENING_SECONDS = (0.1, 4.0)
_KEPT_SAMPLES = 8


def with_even_fades(manifest: Manifest, sound: Callable[[str], PlayerSample]) -> Manifest:
    """Return a manifest whose layers are as loud together, where they fade, as each alone.

    Layers that are alike add up by amplitude, others by power, and what is out of phase takes
    from each other: how alike two layers are is heard by playing both.

    sound : gives the sample of a name in the manifest.
    """
    zones = manifest.zones
    regions = parse_sfz(write_sfz(sfz_document(manifest))).regions
    kept = lru_cache(_KEPT_SAMPLES)(sound)
    alike = {
        (lower, upper): _likeness((regions[lower], regions[upper]), kept)
        for lower, zone in enumerate(zones)
        for upper in _fading_into(zone, zones)
    }
    return replace(
        manifest,
        zones=tuple(_evened(zone, number, alike) for number, zone in enumerate(zones)),
    )


def _evened(zone: Zone, number: int, alike: Mapping[tuple[int, int], float]) -> Zone:
    if zone.velocity_fade is None or not zone.velocity_gains:
        return zone
    below = [value for (_, upper), value in alike.items() if upper == number]
    above = [value for (lower, _), value in alike.items() if lower == number]
    gains = even_through_fade(zone.velocity_gains, zone.velocity_fade, _mean(below), _mean(above))
    return replace(zone, velocity_gains=gains)


def _fading_into(lower: Zone, zones: Sequence[Zone]) -> list[int]:
    """Return the zones that `lower` fades into: of its round robin, where they have as many."""
    if lower.velocity_fade is None:
        return []
    return [
        number
        for number, upper in enumerate(zones)
        if upper.velocity_fade is not None
        and upper.velocity_fade.in_high > 0
        and upper.velocity_fade.in_low == lower.velocity_fade.out_low
        and max(lower.low_key, upper.low_key) <= min(lower.high_key, upper.high_key)
        and (lower.round_robins != upper.round_robins or lower.round_robin == upper.round_robin)
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


def _mean(values: Sequence[float]) -> float | None:
    return sum(values) / len(values) if values else None
