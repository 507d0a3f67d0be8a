"""How loud a region plays for a velocity, a key and the controllers, and where in the stereo."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from keymapper.formats.sfz import SfzCrossfade, SfzRegion, key_gain_db, velocity_gain
from keymapper.proving.events import PlayerSettings


def modulation(
    region: SfzRegion, target: str, controllers: Mapping[int, float], settings: PlayerSettings
) -> float:
    """Return what the controllers add to the opcode `target`, in its unit."""
    return sum(
        found.amount * _curved(controllers.get(found.controller, 0.0), found.curve, settings)
        for found in region.modulations
        if found.target == target
    )


def voice_gain(
    region: SfzRegion,
    key: int,
    velocity: int,
    controllers: Mapping[int, float],
    settings: PlayerSettings,
) -> float:
    """Return the amplitude ratio of a note before envelope and pan."""
    volume_db = region.volume_db + key_gain_db(region, key)
    volume_db += modulation(region, "volume", controllers, settings)
    gain = float(10.0 ** (volume_db / 20.0))
    gain *= region.amplitude_percent / 100.0
    gain *= controller_gain(region, controllers, settings)
    gain *= velocity_gain(region, velocity)
    gain *= crossfade_gain(region.velocity_crossfade, velocity)
    gain *= crossfade_gain(region.key_crossfade, key)
    return gain


def controller_gain(
    region: SfzRegion, controllers: Mapping[int, float], settings: PlayerSettings
) -> float:
    """Return what amplitude and crossfades by controllers leave of a note: an amplitude ratio."""
    gain = 1.0
    for found in region.modulations:
        if found.target == "amplitude":
            value = _curved(controllers.get(found.controller, 0.0), found.curve, settings)
            gain *= found.amount / 100.0 * value
    for fade in region.controller_crossfades:
        gain *= crossfade_gain(fade, controllers.get(fade.controller or 0, 0.0))
    return gain


def crossfade_gain(fade: SfzCrossfade, value: float) -> float:
    """Return the amplitude ratio of a crossfade at `value` (velocity, key or controller)."""
    gain = 1.0
    if fade.in_high > fade.in_low or value < fade.in_low:
        width = max(fade.in_high - fade.in_low, 1e-9)
        gain *= _law(fade, (value - fade.in_low) / width)
    if fade.out_high > fade.out_low or value > fade.out_high:
        width = max(fade.out_high - fade.out_low, 1e-9)
        gain *= _law(fade, (fade.out_high - value) / width)
    return gain


def _law(fade: SfzCrossfade, position: float) -> float:
    position = min(max(position, 0.0), 1.0)
    return math.sqrt(position) if fade.curve == "power" else position


def pan_gains(pan_percent: float) -> tuple[float, float]:
    """Return the amplitude ratios of left and right: equal power, 1 and 1 in the middle."""
    angle = math.pi / 4.0 * (1.0 + min(max(pan_percent, -100.0), 100.0) / 100.0)
    return math.sqrt(2.0) * math.cos(angle), math.sqrt(2.0) * math.sin(angle)


def _curved(value: float, curve: int, settings: PlayerSettings) -> float:
    """Return a controller's value in 0..127 through one of the built-in or declared curves."""
    x = min(max(value, 0.0), 127.0) / 127.0
    if curve in settings.curves:
        points = {0: 0.0, 127: 1.0} | dict(settings.curves[curve])
        keys = sorted(points)
        return float(np.interp(value, keys, [points[key] for key in keys]))
    built_in = (x, 2 * x - 1, 1 - x, 1 - 2 * x, x * x, math.sqrt(x), math.sqrt(1 - x))
    return built_in[curve] if 0 <= curve < len(built_in) else x
