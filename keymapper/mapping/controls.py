"""Controls for playing, with ranges that sound good over their whole travel.

Every control starts at "as recorded". Brightness is a low-pass per zone: closed, it still lets the
fundamental of the zone's highest key through; open, it changes nothing by more than 0.5 dB.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from keymapper.model.hearing import open_cutoff_hz
from keymapper.model.instrument import Brightness, Control, Zone
from keymapper.model.keys import key_to_hz
from keymapper.model.recipe import ControlSettings, Recipe
from keymapper.model.tone import Tone

BRIGHTNESS_CONTROLLER = 74
ATTACK_CONTROLLER = 73
RELEASE_CONTROLLER = 72
BALANCE_CONTROLLER = 16
BALANCE_MIDDLE = 64
LETS_FUNDAMENTAL_THROUGH = 1.5
"""Closed cutoff over the fundamental: two poles there take 0.8 dB off it."""
MOST_RANGE_CENTS = 9600


def brightness(
    tone: Tone, transposed_semitones: int, high_key: int, recipe: Recipe
) -> Brightness | None:
    """Return the low-pass of a zone; None where the control is off or the sound is silent.

    tone : of the sample, which the zone's highest key plays transposed by so many semitones.
    """
    settings = recipe.controls
    if not settings.brightness or tone.edge_999_hz is None:
        return None
    fundamental_hz = key_to_hz(high_key, recipe.reference_hz)
    open_hz = open_cutoff_hz(tone, transposed_semitones)
    closed_hz = min(open_hz, fundamental_hz * LETS_FUNDAMENTAL_THROUGH)
    range_cents = round(1200 * math.log2(open_hz / closed_hz) * settings.darkest_share)
    range_cents = min(MOST_RANGE_CENTS, range_cents)
    return Brightness(
        closed_hz=round(open_hz / 2 ** (range_cents / 1200), 1), range_cents=range_cents
    )


def controls(zones: Sequence[Zone], settings: ControlSettings) -> tuple[Control, ...]:
    """Return the knobs of an instrument; what plays to its end has no attack or release."""
    holds = any(zone.play_mode != "one_shot" for zone in zones)
    darkens = any(zone.brightness is not None for zone in zones)
    balances = any(zone.balance != "none" for zone in zones)
    attack_seconds = settings.longest_attack_seconds
    release_seconds = settings.longest_release_seconds
    knobs = (
        (darkens, _knob(BRIGHTNESS_CONTROLLER, "Brightness", 127)),
        (balances, _knob(BALANCE_CONTROLLER, "Layer balance", BALANCE_MIDDLE)),
        (holds and settings.attack, _knob(ATTACK_CONTROLLER, "Attack", 0, attack_seconds)),
        (holds and settings.release, _knob(RELEASE_CONTROLLER, "Release", 0, release_seconds)),
    )
    return tuple(knob for is_there, knob in knobs if is_there)


def _knob(controller: int, label: str, start: int, seconds: float | None = None) -> Control:
    return Control(controller=controller, label=label, start=start, seconds=seconds)
