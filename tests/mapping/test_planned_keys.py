"""What the plan of a session says against the sound."""

from keymapper.mapping.names import MeasuredHint
from keymapper.mapping.planned_keys import keys_by_plan

PLANNED = [36, 40, 44, 48, 52, 56]


def heard(keys, cents=0.0):
    return [
        None if key is None else MeasuredHint(root_key=key, confidence=0.99, tuning_cents=cents)
        for key in keys
    ]


def test_a_note_heard_at_the_pitch_of_a_tail_sounds_at_its_own_key():
    by_plan = keys_by_plan(PLANNED, heard([36, 40, 44, 36, 52, 56], cents=-30.0))
    assert by_plan == (None, None, None, 48, None, None)


def test_a_patch_may_sound_elsewhere_as_a_whole():
    by_plan = keys_by_plan(PLANNED, heard([43, 47, 51, 43, 59, 63]))
    assert by_plan == (None, None, None, 55, None, None)


def test_a_note_without_a_pitch_sounds_at_its_key():
    by_plan = keys_by_plan(PLANNED, heard([36, None, 44, 48, 52, 56]))
    assert by_plan == (None, 40, None, None, None, None)


def test_sounds_that_do_not_follow_their_keys_are_believed():
    assert keys_by_plan(PLANNED, heard([36, 52, 41, 48, 33, 60])) == (None,) * 6


def test_what_nobody_planned_sounds_as_it_does():
    by_plan = keys_by_plan([None, *PLANNED[1:]], heard([48, 40, 44, 48, 52, 56]))
    assert by_plan == (None,) * 6
    assert keys_by_plan([None] * 6, heard(PLANNED)) == (None,) * 6
