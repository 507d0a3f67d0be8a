"""By which power of the time notes rise, and from when, as likely as it is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from keymapper.slicing.beginning import beginning_of
from keymapper.slicing.hearing import hear_take
from keymapper.slicing.rising import Rise, likelihoods
from keymapper.slicing.timing import Asked
from tests.session_takes import PATCHES, Recording, render_take
from tests.slicing.takes import ArrayTake, sheet_of

MOMENTS = np.arange(-0.1, 0.101, 0.02)
POWERS = [Rise(power=power) for power in (1, 2, 3)]


def _likelihoods(power: float, key: int, rises: list[Rise]) -> np.ndarray:
    patch = replace(PATCHES["curved_pad"], attack_power=power)
    notes = sheet_of([key], spacing=3.7, hold=2.7).notes
    how = Recording(latency_seconds=0.0, noise_dbfs=-60.0)
    take = render_take(notes, patch, how)
    heard = hear_take(ArrayTake(take.samples, take.rate_hz))
    asked = Asked(plan_index=0, patch=0, expected_seconds=1.0, off_seconds=3.7, until_seconds=4.7)
    beginning = beginning_of(heard.take, heard.levels, asked, heard.hum_hz, 0.15)
    assert beginning is not None
    found = likelihoods(beginning, MOMENTS, rises, 0.3)
    assert found is not None
    return found


@pytest.mark.parametrize("key", [40, 47, 60])
@pytest.mark.parametrize("power", [1, 2, 3])
def test_the_power_and_the_moment_are_the_likeliest(power: int, key: int):
    found = _likelihoods(power, key, POWERS)
    rise, moment = np.unravel_index(np.argmax(found), found.shape)
    assert POWERS[rise].power == power
    assert abs(MOMENTS[moment]) < 0.021


@pytest.mark.parametrize(("power", "is_between"), [(1.0, False), (1.5, True), (2.0, False)])
def test_what_rises_between_two_powers_is_told(power: float, is_between: bool):
    between = Rise(power=1, bend=0.75, bend_spread=0.4)
    rises = [Rise(power=1, bend_spread=0.5), *POWERS[:2], between]
    found = _likelihoods(power, 57, rises).max(axis=1)
    assert (rises[int(np.argmax(found))] == between) == is_between
