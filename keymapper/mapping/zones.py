"""From placed notes and their loops to the zones of an instrument."""

from __future__ import annotations

from dataclasses import dataclass

from keymapper.mapping.assembling import PlacedNote
from keymapper.model.instrument import AmplitudeEnvelope, PlayMode, ResolvedLayout, Zone
from keymapper.model.loop import LoopVerdict

SUSTAINED_RELEASE_SECONDS = 0.3
DECAYING_RELEASE_SECONDS = 0.15
ONE_SHOT_RELEASE_SECONDS = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class Playback:
    """How a placed note is played once its key is down."""

    sample: str
    """Path of the sample relative to the instrument's folder."""
    rate: int
    loop: LoopVerdict
    layout: ResolvedLayout
    release_seconds: float | None
    """None: the usual for the kind of sound."""


def zone(placed: PlacedNote, playback: Playback) -> Zone:
    """Return the zone of a placed note."""
    place = placed.place
    mode = _play_mode(placed, playback)
    return Zone(
        sample=playback.sample,
        root_key=placed.decision.root_key,
        tuning_cents=placed.decision.tuning_cents,
        low_key=place.low_key,
        high_key=place.high_key,
        low_velocity=place.low_velocity,
        high_velocity=place.high_velocity,
        round_robin=place.round_robin,
        round_robins=place.round_robins,
        trigger=place.trigger,
        gain_db=placed.gain_db,
        velocity_tracking=placed.velocity_tracking,
        velocity_gains=placed.velocity_gains,
        play_mode=mode,
        loop=playback.loop.loop,
        envelope=_envelope(playback, mode),
    )


def _play_mode(placed: PlacedNote, playback: Playback) -> PlayMode:
    if playback.layout == "one-shots" or placed.place.trigger == "release":
        return "one_shot"
    return "no_loop" if playback.loop.loop is None else "loop_continuous"


def _envelope(playback: Playback, mode: PlayMode) -> AmplitudeEnvelope:
    usual = {
        "loop_continuous": SUSTAINED_RELEASE_SECONDS,
        "no_loop": DECAYING_RELEASE_SECONDS,
        "one_shot": ONE_SHOT_RELEASE_SECONDS,
    }[mode]
    release = usual if playback.release_seconds is None else playback.release_seconds
    taken_out = playback.loop.flattening
    if taken_out is None:
        return AmplitudeEnvelope(release_seconds=release)
    return AmplitudeEnvelope(
        hold_seconds=taken_out.start_frame / playback.rate,
        decay_db_per_second=taken_out.decay_db_per_second,
        release_seconds=release,
    )
