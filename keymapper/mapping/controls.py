"""Controls for playing, with ranges that sound good over their whole travel.

Every control starts at "as recorded". Brightness is a low-pass per zone: closed, it still lets the
fundamental of the zone's highest key through; open, it changes nothing by more than 0.5 dB.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from keymapper.model.instrument import Brightness, Control, Zone
from keymapper.model.keys import key_to_hz
from keymapper.model.recipe import ControlSettings

BRIGHTNESS_CONTROLLER = 74
ATTACK_CONTROLLER = 73
RELEASE_CONTROLLER = 72
LETS_FUNDAMENTAL_THROUGH = 1.5
"""Closed cutoff over the fundamental: two poles there take 0.8 dB off it."""
LEAVES_AS_RECORDED = 1.7
"""Open cutoff over the highest frequency that matters: two poles take 0.5 dB off it."""
HIGHEST_CUTOFF_HZ = 20_000.0
MOST_RANGE_CENTS = 9600


def brightness(
    high_key: int, edge_hz: float, settings: ControlSettings, reference_hz: float
) -> Brightness | None:
    """Return the low-pass of a zone; None where the control is off or would do nothing.

    high_key : the zone's highest key.
    edge_hz : below it lies all that matters of the sound, at the zone's highest key.
    """
    if not settings.brightness:
        return None
    open_hz = min(HIGHEST_CUTOFF_HZ, max(edge_hz, key_to_hz(high_key)) * LEAVES_AS_RECORDED)
    lowest_hz = min(open_hz, key_to_hz(high_key, reference_hz) * LETS_FUNDAMENTAL_THROUGH)
    range_cents = 1200 * math.log2(open_hz / lowest_hz) * settings.darkest_share
    range_cents = min(MOST_RANGE_CENTS, round(range_cents))
    return Brightness(
        closed_hz=round(open_hz / 2 ** (range_cents / 1200), 1), range_cents=round(range_cents)
    )


def controls(zones: Sequence[Zone], settings: ControlSettings) -> tuple[Control, ...]:
    """Return the knobs of an instrument; what plays to its end has no attack or release."""
    found: list[Control] = []
    if any(zone.brightness is not None for zone in zones):
        found.append(Control(controller=BRIGHTNESS_CONTROLLER, label="Brightness", start=127))
    if any(zone.play_mode != "one_shot" for zone in zones):
        if settings.attack:
            found.append(
                Control(
                    controller=ATTACK_CONTROLLER,
                    label="Attack",
                    start=0,
                    seconds=settings.longest_attack_seconds,
                )
            )
        if settings.release:
            found.append(
                Control(
                    controller=RELEASE_CONTROLLER,
                    label="Release",
                    start=0,
                    seconds=settings.longest_release_seconds,
                )
            )
    return tuple(found)
