"""Shorter ways to keep a note are shorter, in order, and say what they lose."""

from itertools import pairwise

import numpy as np

from keymapper.measuring.loops import find_loop
from keymapper.measuring.note import measured_note
from keymapper.measuring.shortening import shapes
from keymapper.measuring.tone import tone
from keymapper.model.shape import Shape
from tests.simple_notes import RATE, note


def shapes_of(samples: np.ndarray) -> tuple[Shape, ...]:
    measurement = measured_note(samples, RATE)
    f0_hz = measurement.pitch.f0_hz
    loop = find_loop(samples, RATE, f0_hz=f0_hz)
    return shapes(samples, RATE, tone(samples, RATE, measurement.course), loop, f0_hz)


def test_a_sustained_note_may_loop_earlier() -> None:
    found = shapes_of(note(220.0, 4.0))
    assert len(found) > 1
    assert (found[0].about, found[0].loss_db) == ("", 0.0)
    for before, after in pairwise(found):
        assert after.frames < before.frames
        assert after.loop.loop is not None
        assert after.loop.loop.end_frame < after.frames
        assert after.loss_db > 0
        assert after.about


def test_a_short_loop_costs_the_movement_it_takes_out() -> None:
    still = note(220.0, 3.0)
    swell = 1 + 0.5 * np.sin(2 * np.pi * 0.9 * np.arange(len(still)) / RATE)[:, None]
    lost = {
        name: next(s.loss_db for s in shapes_of(sound) if s.loop.kind == "short")
        for name, sound in (("still", still), ("moving", still * swell))
    }
    assert lost["moving"] > lost["still"] + 1.0


def test_a_decaying_note_may_end_earlier() -> None:
    samples = note(220.0, 4.0, decay_seconds=0.5)
    found = shapes_of(samples)
    assert found[0].frames == len(samples)
    assert len(found) > 3
    assert [s.loss_db for s in found] == sorted(s.loss_db for s in found)
    assert all(s.loop.loop is None for s in found)
    assert found[-1].about == "ends once 20 dB below its loudest"
    falls_seconds = 0.5 * np.log(10)
    assert abs(found[-1].frames / RATE - (0.05 + falls_seconds + 0.05)) < 0.05
