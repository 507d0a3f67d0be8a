"""Zones of anyone's SFZ file, in the terms the page draws and plays."""

from __future__ import annotations

import math

from keymapper.auditing.subject import PackZone
from keymapper.formats.sfz import SfzRegion, key_gain_db, velocity_gain
from keymapper.model.instrument import (
    AmplitudeEnvelope,
    PlayMode,
    VelocityFade,
    VelocityGain,
    Zone,
)
from keymapper.model.keys import nearest_key, nearest_velocity

_VELOCITY_STEP = 6
_LEAST_GAIN_DB = -60.0
_DECAY_DB_AT_FULL_TIME = 69.0
"""What players fall by over `ampeg_decay`, between 60 and 78 dB."""


def zone_of(found: PackZone) -> Zone:
    """Return a zone of a pack: opcodes that the page does not play (filters, LFOs) are left out."""
    region = found.region
    loop = found.loop.loop if found.loop and found.loop.join is not None else None
    amplitude = max(region.amplitude_percent / 100.0, 10 ** (_LEAST_GAIN_DB / 20))
    keys = (found.root_key, found.root_key)
    if found.mapped:
        keys = (nearest_key(region.lokey), nearest_key(region.hikey))
    velocities = (region.lovel, region.hivel) if found.mapped else (1, 127)
    chokes = region.off_by != 0 and region.off_by == region.group
    return Zone(
        sample=found.file or region.sample,
        root_key=nearest_key(found.root_key),
        tuning_cents=-(region.tune_cents + 100.0 * region.transpose_semitones),
        target_cents=0.0,
        low_key=keys[0],
        high_key=max(keys),
        low_velocity=nearest_velocity(velocities[0]),
        high_velocity=nearest_velocity(velocities[1]),
        velocity_fade=_fade(region),
        round_robin=min(region.seq_position, max(region.seq_length, 1)),
        round_robins=max(region.seq_length, 1),
        trigger="release" if region.is_release else "attack",
        gain_db=region.volume_db
        + 20.0 * math.log10(amplitude)
        + key_gain_db(region, min(max(found.root_key, keys[0]), max(keys))),
        pan_percent=min(max(region.pan_percent, -100.0), 100.0),
        balance="none",
        velocity_tracking="curve",
        velocity_gains=_gains(region),
        play_mode=_play_mode(region, looped=loop is not None),
        loop=loop,
        envelope=_envelope(region),
        brightness=None,
        choke_group=region.group if chokes else 0,
    )


def _gains(region: SfzRegion) -> tuple[VelocityGain, ...]:
    velocities = sorted({1, 127, *range(1, 127, _VELOCITY_STEP)})
    least = 10 ** (_LEAST_GAIN_DB / 20)
    return tuple(
        VelocityGain(
            velocity=velocity,
            gain_db=20.0 * math.log10(max(velocity_gain(region, velocity), least)),
        )
        for velocity in velocities
    )


def _fade(region: SfzRegion) -> VelocityFade | None:
    fade = region.velocity_crossfade
    if fade.in_high <= fade.in_low and fade.out_high <= fade.out_low:
        return None
    return VelocityFade(
        in_low=round(fade.in_low),
        in_high=round(fade.in_high),
        out_low=round(fade.out_low),
        out_high=round(fade.out_high),
    )


def _play_mode(region: SfzRegion, *, looped: bool) -> PlayMode:
    if region.loop_mode == "one_shot":
        return "one_shot"
    return "loop_continuous" if looped else "no_loop"


def _envelope(region: SfzRegion) -> AmplitudeEnvelope:
    envelope = region.envelope
    falls = envelope.decay_seconds > 0 and envelope.sustain_percent <= 0
    return AmplitudeEnvelope(
        hold_seconds=envelope.hold_seconds,
        decay_db_per_second=_DECAY_DB_AT_FULL_TIME / envelope.decay_seconds if falls else None,
        release_seconds=envelope.release_seconds,
    )
