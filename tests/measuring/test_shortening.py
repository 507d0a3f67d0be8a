"""Shorter ways to keep a note are shorter, in order, and say what they lose."""

from dataclasses import replace
from itertools import pairwise

import numpy as np

from keymapper.measuring.loops import find_loop
from keymapper.measuring.shortening import falling_as, shapes
from keymapper.measuring.tone import tone
from keymapper.model.loop import Flattening, Loop, LoopVerdict
from keymapper.model.shape import Shape
from keymapper.model.sound import Course
from tests.simple_notes import RATE, note
from tests.synth import make_tone

F0_HZ = 220.0
LEAD = round(0.05 * RATE)


def shapes_of(samples: np.ndarray, settled_frame: int = 0) -> tuple[Shape, ...]:
    loop = find_loop(samples, RATE, f0_hz=F0_HZ)
    course = Course(
        onset_frame=LEAD,
        attack_end_frame=LEAD + 480,
        note_off_frame=len(samples),
        end_frame=len(samples),
        sustains=loop.loop is not None,
    )
    heard = tone(samples, RATE, course)
    return shapes(samples, RATE, heard, loop, F0_HZ, settled_frame=settled_frame)


def test_a_sustained_note_may_loop_earlier() -> None:
    found = shapes_of(note(F0_HZ, 4.0))
    assert len(found) > 1
    assert (found[0].about, found[0].loss_db) == ("", 0.0)
    for before, after in pairwise(found):
        assert after.frames < before.frames
        assert after.loop.loop is not None
        assert after.loop.loop.end_frame < after.frames
        assert after.loss_db > 0
        assert after.about


def test_no_earlier_loop_leaves_out_a_late_vibrato() -> None:
    samples = note(F0_HZ, 4.0)
    starts = [one.loop.loop.start_frame for one in shapes_of(samples)[1:] if one.loop.loop]
    latest = max(starts)
    assert min(starts) < latest
    kept = [one.loop.loop for one in shapes_of(samples, latest)[1:]]
    assert [loop.start_frame for loop in kept if loop] == [latest]


def test_a_loop_of_a_part_falls_as_the_whole_note_does() -> None:
    def falling(db_per_second: float) -> LoopVerdict:
        return LoopVerdict(
            loop=Loop(start_frame=1000, end_frame=9000),
            kind="long",
            reason="",
            flattening=Flattening(
                start_frame=0,
                decay_db_per_second=db_per_second,
                loop_gain_db=1.0,
                band_decays_db_per_second=(db_per_second,),
            ),
        )

    unlevelled = replace(falling(0.0), flattening=None)
    assert falling_as(falling(5.0), falling(0.5)) == replace(
        falling(5.0), flattening=replace(falling(5.0).flattening, decay_db_per_second=0.5)
    )
    level = falling_as(falling(5.0), unlevelled).flattening
    assert level is not None
    assert level.decay_db_per_second == 0.0
    assert falling_as(unlevelled, falling(1.0)) == unlevelled


def test_a_loop_that_stands_still_costs_the_movement_of_the_note() -> None:
    found = shapes_of(make_tone("seven_saws", F0_HZ, seconds=3.0, seed=2).samples)
    movement = found[0].loop.movement_db
    assert movement is not None
    assert movement > 1.0
    short = [shape for shape in found if shape.loop.kind == "short"]
    assert [shape.loss_db for shape in short] == [movement]


def test_a_decaying_note_may_end_earlier() -> None:
    samples = note(F0_HZ, 4.0, decay_seconds=0.5)
    found = shapes_of(samples)
    assert found[0].frames == len(samples)
    assert len(found) > 3
    assert [s.loss_db for s in found] == sorted(s.loss_db for s in found)
    assert all(s.loop.loop is None for s in found)
    assert found[-1].about == "ends once 20 dB below its loudest"
    falls_seconds = 0.5 * np.log(10)
    assert abs(found[-1].frames / RATE - (0.05 + falls_seconds + 0.05)) < 0.05
