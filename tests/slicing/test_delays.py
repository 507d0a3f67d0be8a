"""How long after key-down notes are heard, all of them told together."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from keymapper.slicing.delays import delays_of
from keymapper.slicing.timing import Asked, Timed

KEYS = (40, 47, 54, 61)
OF_KEY = {40: 0.001, 47: 0.004, 54: 0.002, 61: 0.012}


def timed(on: float, key: int, late_seconds: float | None, case: str = "clear") -> Timed:
    asked = Asked(
        plan_index=0,
        patch=0,
        key=key,
        expected_seconds=on,
        off_seconds=on + 1.0,
        until_seconds=on + 2.0,
    )
    return Timed(
        asked=asked,
        onset_seconds=None if late_seconds is None else on + late_seconds,
        case=None if late_seconds is None else case,
        peak=0.5,
        abrupt=True,
        blurred=False,
    )


def played(drift: float = 0.0) -> list[Timed]:
    """Return each key three times, heard later and later where the line's drift is off."""
    ons = 2.0 * np.arange(3 * len(KEYS))
    return [timed(on, key, OF_KEY[key] + drift * on) for on, key in zip(ons, KEYS * 3, strict=True)]


def test_a_note_that_is_not_heard_is_as_late_as_others_of_its_key():
    delays = delays_of(played(), 0.0)
    assert delays is not None
    for key in KEYS:
        assert delays.of(timed(30.0, key, None)) == pytest.approx(OF_KEY[key], abs=0.0005)
    assert delays.drift == 0.0


def test_keys_heard_again_tell_by_how_much_the_drift_is_off():
    delays = delays_of(played(drift=250e-6), 0.0)
    assert delays is not None
    assert delays.drift == pytest.approx(250e-6, abs=30e-6)


def test_keys_heard_once_do_not_tell_the_drift():
    notes = [timed(2.0 * place, key, OF_KEY[key]) for place, key in enumerate(KEYS)]
    delays = delays_of(notes, 0.0)
    assert delays is not None
    assert delays.drift == 0.0


def test_notes_under_tails_make_no_other_late():
    heard = [timed(2.0 * place, 40, 0.002, "noise") for place in range(4)]
    hidden = [timed(8.0 + 2 * place, 40, 0.02 + 0.002 * place, "tail") for place in range(8)]
    delays = delays_of([*heard, *hidden], 0.0)
    assert delays is not None
    assert delays.of(hidden[-1]) == pytest.approx(0.002, abs=0.001)


def test_soft_notes_that_noise_hides_for_longer_are_the_later_for_it():
    loud = [timed(2.0 * place, key, 0.002) for place, key in enumerate(KEYS)]
    soft = [
        replace(timed(9.0 + 2 * place, key, 0.002 + 0.01 * nepers), masked_nepers=nepers)
        for place, (key, nepers) in enumerate(zip(KEYS, (0.5, 1.0, 1.5, 2.0), strict=True))
    ]
    delays = delays_of([*loud, *soft], 0.0)
    assert delays is not None
    hidden = replace(timed(30.0, 40, None), masked_nepers=1.2)
    assert delays.of(hidden) == pytest.approx(0.014, abs=0.002)


def test_notes_that_noise_hides_alike_are_heard_as_late_as_they_are():
    nepers = 2.6 + 0.05 * np.sin(np.arange(16))
    notes = [
        replace(timed(2.0 * place, 40, -0.011 * (one - 2.6), "noise"), masked_nepers=one)
        for place, one in enumerate(nepers.tolist())
    ]
    delays = delays_of(notes, 0.0)
    assert delays is not None
    assert [delays.of(note) for note in notes] == pytest.approx([0.0] * 16, abs=0.001)


def test_nothing_heard_tells_nothing():
    assert delays_of([timed(0.0, 40, None)], 0.0) is None
