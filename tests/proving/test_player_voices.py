"""Which regions sound: round robins, chance, chokes, triggers."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.proving.playing import (
    RATE,
    ControllerMove,
    NoteOff,
    NoteOn,
    PlayerSettings,
    constant,
    play,
)

ONE, TWO = constant(value=0.25), constant(value=0.5)


def heard(
    text: str, notes: list, settings: PlayerSettings | None = None, spacing: int = 100
) -> list[str]:
    """Return which of the samples a and b sound after each of `notes` alone (a key each)."""
    events: list = []
    for number, note in enumerate(notes):
        at = number * spacing
        events += [
            NoteOn(
                at_frame=at, key=note.key, velocity=note.velocity, random_ratio=note.random_ratio
            ),
            NoteOff(at_frame=at + 10, key=note.key),
        ]
    base = "<global>amp_veltrack=0 pitch_keytrack=0 ampeg_release=0\n"
    sound = play(base + text, events, spacing * len(notes), settings, a=ONE, b=TWO)
    names = {0: "-", 1: "a", 2: "b", 3: "ab"}
    return [names[round(4 * float(sound[n * spacing + 5, 0]))] for n in range(len(notes))]


def note(key: int = 60, velocity: int = 100, random: float = 0.0) -> NoteOn:
    return NoteOn(at_frame=0, key=key, velocity=velocity, random_ratio=random)


def test_key_and_velocity_ranges_are_inclusive() -> None:
    text = "<region>sample=a.wav lokey=60 hikey=62 lovel=1 hivel=64\n"
    text += "<region>sample=b.wav lokey=60 hikey=62 lovel=65"
    keys = [note(key) for key in (59, 60, 62, 63)]
    assert heard(text, keys) == ["-", "b", "b", "-"]
    assert heard(text, [note(61, 64), note(61, 65), note(61, 127), note(61, 1)]) == [*"abba"]


def test_round_robins_take_turns() -> None:
    text = "<region>sample=a.wav seq_length=2 seq_position=1\n"
    text += "<region>sample=b.wav seq_length=2 seq_position=2"
    assert heard(text, [note()] * 5) == [*"ababa"]


def test_round_robins_are_counted_by_key_or_by_match() -> None:
    text = "<region>sample=a.wav seq_length=2 seq_position=1 hivel=64\n"
    text += "<region>sample=b.wav seq_length=2 seq_position=2 hivel=64"
    notes = [note(velocity=10), note(velocity=100), note(velocity=10)]
    assert heard(text, notes) == ["a", "-", "a"]
    assert heard(text, notes, PlayerSettings(round_robin_counting="match")) == ["a", "-", "b"]


def test_random_ranges_are_half_open() -> None:
    text = "<region>sample=a.wav hirand=0.5\n<region>sample=b.wav lorand=0.5"
    assert heard(text, [note(random=r) for r in (0.0, 0.49999, 0.5, 0.99)]) == [*"aabb"]


@given(st.floats(0, 1, exclude_max=True), st.integers(1, 99))
@settings(max_examples=40)
def test_exactly_one_of_two_random_neighbours_sounds(random: float, percent: int) -> None:
    border = percent / 100
    text = f"<region>sample=a.wav hirand={border}\n<region>sample=b.wav lorand={border}"
    assert heard(text, [note(random=random)]) in (["a"], ["b"])


def test_controller_ranges_are_judged_when_the_note_starts() -> None:
    text = (
        "<region>sample=a.wav amp_veltrack=0 hicc1=63\n<region>sample=b.wav amp_veltrack=0 locc1=64"
    )
    events = [
        NoteOn(at_frame=0, key=60),
        ControllerMove(at_frame=10, controller=1, value=64),
        NoteOn(at_frame=20, key=60),
    ]
    sound = play(text, list(events), 30, a=ONE, b=TWO)[:, 0]
    assert sound[[5, 15, 25]] == pytest.approx([0.25, 0.25, 0.75])


CHOKE = "<global>amp_veltrack=0 pitch_keytrack=0 ampeg_release=1\n"


def test_a_group_is_choked_by_its_enemy_and_not_by_others() -> None:
    text = (
        CHOKE
        + "<region>key=60 sample=a.wav group=1 off_by=2\n<region>key=61 sample=b.wav group=2\n"
    )
    text += "<region>key=62 sample=b.wav group=3"
    for key, choked in ((61, True), (62, False)):
        events = [NoteOn(at_frame=0, key=60), NoteOn(at_frame=1000, key=key)]
        sound = play(text, list(events), 3000, a=ONE, b=TWO)[:, 0]
        assert sound[999] == pytest.approx(0.25)
        assert sound[2000] == pytest.approx(0.5 if choked else 0.75)


def test_layers_of_one_note_in_a_group_do_not_choke_each_other() -> None:
    text = CHOKE + "<group>key=60 group=1 off_by=1 <region>sample=a.wav <region>sample=b.wav"
    events = [NoteOn(at_frame=0, key=60), NoteOn(at_frame=1000, key=60)]
    sound = play(text, list(events), 3000, a=ONE, b=TWO)[:, 0]
    assert sound[[500, 2500]] == pytest.approx([0.75, 0.75])


@pytest.mark.parametrize(
    ("opcodes", "seconds"),
    [("", 0.006), ("off_mode=time off_time=0.03", 0.03), ("off_mode=normal", 0.05)],
)
def test_off_modes_last_as_long_as_they_say(opcodes: str, seconds: float) -> None:
    text = "<global>amp_veltrack=0 pitch_keytrack=0 ampeg_release=0.05\n"
    text += f"<region>key=60 sample=a.wav off_by=2 {opcodes}\n"
    text += "<region>key=61 sample=b.wav group=2 end=-1"
    events = [NoteOn(at_frame=0, key=60), NoteOn(at_frame=1000, key=61)]
    sound = play(text, list(events), RATE // 5, a=ONE, b=TWO)[:, 0]
    assert np.flatnonzero(sound)[-1] == pytest.approx(1000 + seconds * RATE, abs=3)


RELEASE = "<global>amp_veltrack=0 pitch_keytrack=0 ampeg_release=0\n"


def test_release_regions_sound_at_note_off_with_the_velocity_of_note_on() -> None:
    text = "<global>pitch_keytrack=0 ampeg_release=0\n<region>sample=a.wav\n"
    text += "<region>sample=b.wav trigger=release"
    events = [NoteOn(at_frame=0, key=60, velocity=64), NoteOff(at_frame=100, key=60)]
    sound = play(text, list(events), 300, a=ONE, b=TWO)[:, 0]
    assert sound[[50, 200]] == pytest.approx(np.array([0.25, 0.5]) * (64 / 127) ** 2, rel=1e-5)


def test_release_regions_need_a_note_that_sounded() -> None:
    text = RELEASE + "<region>sample=a.wav key=61\n<region>sample=b.wav trigger=release"
    events = [NoteOn(at_frame=0, key=60), NoteOff(at_frame=100, key=60)]
    assert not play(text, list(events), 300, a=ONE, b=TWO).any()


def test_rt_decay_softens_by_the_time_the_key_was_held() -> None:
    text = (
        RELEASE + "<region>sample=a.wav end=1\n<region>sample=b.wav trigger=release rt_decay=6.0206"
    )
    events = [NoteOn(at_frame=0, key=60), NoteOff(at_frame=RATE, key=60)]
    assert play(text, list(events), RATE + 10, a=ONE, b=TWO)[RATE + 5, 0] == pytest.approx(
        0.25, 1e-4
    )


def test_key_switches_choose_and_have_a_default() -> None:
    text = "<master>lokey=60 sw_lokey=24 sw_hikey=25 sw_default=24\n"
    text += "<region>sample=a.wav sw_last=24 <region>sample=b.wav sw_last=25"
    assert heard(text, [note(key) for key in (60, 25, 60, 24, 60)]) == [*"a-b-a"]


def test_first_and_legato() -> None:
    text = "<global>amp_veltrack=0 pitch_keytrack=0\n<region>sample=a.wav trigger=first\n"
    text += "<region>sample=b.wav trigger=legato"
    events = [NoteOn(at_frame=0, key=60), NoteOn(at_frame=100, key=61)]
    sound = play(text, list(events), 200, a=ONE, b=TWO)[:, 0]
    assert sound[[50, 150]] == pytest.approx([0.25, 0.75])


def test_the_same_events_give_the_same_sound() -> None:
    events = [NoteOn(at_frame=7, key=64), NoteOff(at_frame=500, key=64)]
    text = "<region>sample=a.wav ampeg_attack=0.01"
    assert np.array_equal(
        play(text, list(events), 900, a=ONE), play(text, list(events), 900, a=ONE)
    )
