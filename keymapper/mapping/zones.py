"""From placed notes and their loops to the zones of an instrument."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from keymapper.mapping.set_notes import PlacedNote, by_area
from keymapper.model.instrument import (
    AmplitudeEnvelope,
    Balance,
    Brightness,
    PlayMode,
    ResolvedLayout,
    Zone,
)
from keymapper.model.loop import LoopVerdict
from keymapper.model.recipe import LayerSettings, Recipe

SUSTAINED_RELEASE_SECONDS = 0.3
DECAYING_RELEASE_SECONDS = 0.15
ONE_SHOT_RELEASE_SECONDS = 0.03
"""Also the time in which a choked sound dies: short, but without a click on a bass."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Playback:
    """How a placed note is played once its key is down."""

    sample: str
    """Path of the sample relative to the instrument's folder."""
    rate: int
    loop: LoopVerdict
    layout: ResolvedLayout
    baked_cents: float
    """How much of the tuning the sample itself has been lowered by."""
    layer: LayerSettings
    balance: Balance
    brightness: Brightness | None


def zones_of(
    placed: PlacedNote,
    playback: Playback,
    targets_cents: Sequence[float | None] | None,
    recipe: Recipe,
) -> list[Zone]:
    """Return the zones of a placed note: one an area, or one a key where a scale tells the keys.

    targets_cents : where each of the 128 keys is meant to lie above equal temperament; None for
    equal temperament itself. A key whose entry is None stays silent.
    """
    return [
        zone
        for area in by_area(placed)
        for zone in _zones_of_area(area, playback, targets_cents, recipe)
    ]


def _zones_of_area(
    placed: PlacedNote,
    playback: Playback,
    targets_cents: Sequence[float | None] | None,
    recipe: Recipe,
) -> list[Zone]:
    low_key = max(placed.place.low_key, playback.layer.keys[0])
    high_key = min(placed.place.high_key, playback.layer.keys[1])
    if low_key > high_key:
        return []
    if targets_cents is None:
        found = [_zone(placed, playback, (low_key, high_key, 0.0), recipe)]
    else:
        found = [
            _zone(placed, playback, (key, key, cents), recipe)
            for key in range(low_key, high_key + 1)
            if (cents := targets_cents[key]) is not None
        ]
    return [zone for one in found for zone in _within(one, playback.layer.velocities)]


def _within(zone: Zone, velocities: tuple[int, int]) -> list[Zone]:
    """Return the part of a zone that a layer's velocities leave of it: one zone or none."""
    low = max(zone.low_velocity, velocities[0])
    high = min(zone.high_velocity, velocities[1])
    return [replace(zone, low_velocity=low, high_velocity=high)] if low <= high else []


def _zone(
    placed: PlacedNote, playback: Playback, keys: tuple[int, int, float], recipe: Recipe
) -> Zone:
    place = placed.place
    mode = _play_mode(placed, playback)
    low_velocity, high_velocity = place.sounding_velocities
    low_key, high_key, target_cents = keys
    return Zone(
        sample=playback.sample,
        root_key=placed.decision.root_key,
        tuning_cents=placed.decision.tuning_cents - playback.baked_cents,
        target_cents=target_cents + playback.layer.tune_cents,
        low_key=low_key,
        high_key=high_key,
        low_velocity=low_velocity,
        high_velocity=high_velocity,
        velocity_fade=place.velocity_fade,
        round_robin=place.round_robin,
        round_robins=place.round_robins,
        trigger=place.trigger,
        gain_db=placed.gain_db,
        pan_percent=playback.layer.pan,
        balance=playback.balance,
        velocity_tracking=placed.velocity_tracking,
        velocity_gains=placed.velocity_gains,
        play_mode=mode,
        loop=playback.loop.loop,
        envelope=_envelope(playback, mode, recipe.release_seconds),
        brightness=playback.brightness,
        choke_group=placed.choke_group,
    )


def _play_mode(placed: PlacedNote, playback: Playback) -> PlayMode:
    if playback.layout == "one-shots" or placed.place.trigger == "release":
        return "one_shot"
    return "no_loop" if playback.loop.loop is None else "loop_continuous"


def _envelope(
    playback: Playback, mode: PlayMode, release_seconds: float | None
) -> AmplitudeEnvelope:
    usual = {
        "loop_continuous": SUSTAINED_RELEASE_SECONDS,
        "no_loop": DECAYING_RELEASE_SECONDS,
        "one_shot": ONE_SHOT_RELEASE_SECONDS,
    }[mode]
    release = usual if release_seconds is None else release_seconds
    taken_out = playback.loop.flattening
    if taken_out is None or taken_out.decay_db_per_second <= 0:
        return AmplitudeEnvelope(release_seconds=release)
    return AmplitudeEnvelope(
        hold_seconds=taken_out.start_frame / playback.rate,
        decay_db_per_second=taken_out.decay_db_per_second,
        release_seconds=release,
    )
