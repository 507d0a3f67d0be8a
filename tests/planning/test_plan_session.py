"""From settings to a session sheet."""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keymapper.errors import UsageError
from keymapper.model.session import CloserKeys, KeySeconds, PatchCall, SessionSettings
from keymapper.planning.cue_sheet import clock_time, cue_sheet, take_bytes
from keymapper.planning.notes import planned_keys, seconds_at
from keymapper.planning.sheet import plan_session


def notes_only(settings):
    return [note for note in plan_session(settings).notes if note.role == "note"]


def test_every_key_velocity_and_repeat_is_planned_once():
    settings = SessionSettings(
        lowest_key="C3", highest_key="C4", every=4, velocities=(100, 50), repeats=2
    )
    played = [(n.key, n.velocity, n.round_robin) for n in notes_only(settings)]
    assert played == [(k, v, r) for k in (48, 52, 56, 60) for v in (50, 100) for r in (1, 2)]


def test_closer_keys_and_explicit_keys():
    closer = (CloserKeys(lowest_key=60, highest_key=63, every=1),)
    settings = SessionSettings(lowest_key=48, highest_key=72, every=12, closer=closer)
    assert planned_keys(settings) == (48, 60, 61, 62, 63, 72)
    assert planned_keys(SessionSettings(keys=("E3", 40, "C#2", 40))) == (37, 40, 52)


def test_durations_may_depend_on_the_key():
    points = (KeySeconds(key=36, seconds=8.0), KeySeconds(key="C5", seconds=2.0))
    assert [seconds_at(key, points, "hold") for key in (20, 36, 54, 72, 90)] == [8, 8, 5, 2, 2]


def test_shuffling_is_fixed_by_the_seed_and_loses_nothing():
    plain = SessionSettings(velocities=(40, 90), repeats=2)
    one = SessionSettings(velocities=(40, 90), repeats=2, order="shuffled", seed=5)
    two = SessionSettings(velocities=(40, 90), repeats=2, order="shuffled", seed=6)

    def keys(settings):
        return [(n.key, n.velocity) for n in notes_only(settings)]

    assert keys(one) == keys(one) != keys(two)
    assert sorted(keys(one)) == sorted(keys(plain)) == sorted(keys(two))
    assert keys(one) != keys(plain)
    firsts = [(n.key, n.velocity) for n in notes_only(one) if n.round_robin == 1]
    assert len(firsts) == len(set(firsts))


def test_reference_notes_come_every_so_often_and_last():
    sheet = plan_session(SessionSettings(reference_every_seconds=60, repeats=3))
    times = [n.on_seconds for n in sheet.notes if n.role == "reference"]
    assert len(times) > 3
    assert max(b - a for a, b in itertools.pairwise(times)) <= 66
    assert sheet.notes[-1].role == "reference"
    assert {n.key for n in sheet.notes if n.role == "reference"} == {66}


def test_several_patches_wait_for_the_program_change():
    patches = (PatchCall(name="A", program=3, bank_msb=1), PatchCall(name="B", program=9))
    sheet = plan_session(SessionSettings(patches=patches, settle_seconds=3.5, every=12))
    assert [n.patch for n in sheet.notes] == sorted(n.patch for n in sheet.notes)
    first_of_b = next(n for n in sheet.notes if n.patch == 1)
    assert first_of_b.on_seconds == pytest.approx(sheet.patch_starts_seconds[1] + 3.5)
    assert sum(n.role == "sync" for n in sheet.notes) == 4


def test_any_seven_gaps_place_a_take_in_the_plan():
    notes = plan_session(SessionSettings(every=1, repeats=4)).notes
    gaps = [round(1000 * (b.on_seconds - a.on_seconds)) for a, b in itertools.pairwise(notes)]
    runs = [tuple(gaps[i : i + 7]) for i in range(len(gaps) - 6)]
    assert len(set(runs)) == len(runs)


@given(
    hold=st.floats(0.05, 9.9),
    release=st.floats(0, 5),
    pause=st.floats(0, 3),
    every=st.integers(1, 12),
)
def test_times_are_whole_milliseconds_and_in_order(hold, release, pause, every):
    settings = SessionSettings(
        hold_seconds=hold, release_seconds=release, pause_seconds=pause, every=every, mono=True
    )
    sheet = plan_session(settings)
    last = 0.0
    for note in sheet.notes:
        for seconds in (note.on_seconds, note.off_seconds):
            assert seconds * 1000 == pytest.approx(round(seconds * 1000), abs=1e-6)
        assert last <= note.on_seconds < note.off_seconds <= note.until_seconds
        last = note.off_seconds


@pytest.mark.parametrize(
    ("settings", "reason"),
    [
        (SessionSettings(velocities=(0,)), r"velocity 0 is a note-off"),
        (SessionSettings(velocities=(128,)), r"outside 1\.\.127"),
        (SessionSettings(velocities=()), r"velocities: the list is empty"),
        (SessionSettings(keys=(128,)), r"key 128 lies outside 0\.\.127"),
        (SessionSettings(keys=("H2",)), r"'H2' is no key"),
        (SessionSettings(keys=(120,), transpose=12), r"transposed by \+12 is 132"),
        (SessionSettings(lowest_key=60, highest_key=48), r"lies below lowest_key"),
        (SessionSettings(keys=()), r"the plan has no keys"),
        (SessionSettings(every=0), r"at least 1 semitone"),
        (SessionSettings(repeats=0), r"repeats must lie in 1\.\.128"),
        (SessionSettings(channel=17), r"channel must lie in 1\.\.16"),
        (SessionSettings(hold_seconds=-1), r"hold_seconds must lie"),
        (SessionSettings(hold_seconds=()), r"hold_seconds: the list is empty"),
        (SessionSettings(patches=(PatchCall(name="x", program=128),)), r"patch 'x': program"),
        (SessionSettings(name="N\udcff"), r"name: 'N\\udcff' is not valid text"),
        (SessionSettings(patches=(PatchCall(name="\udcff"),)), r"is not valid text"),
        (SessionSettings(longest_seconds=30), r"longer than longest_seconds allows \(0\.5\)"),
        (
            SessionSettings(mono=True, hold_seconds=3, spacing_seconds=2, sync_notes=0),
            r"note 0 \(C2\) is let go at 5\.000 s, after note 1 has begun at 4\.000 s; a mono",
        ),
        (
            SessionSettings(
                keys=(60, 62), repeats=2, hold_seconds=2.5, spacing_seconds=2, sync_notes=0
            ),
            r"note 0 \(C4\) is let go at 4\.500 s, after note 1 strikes the same key at 4\.000 s",
        ),
    ],
)
def test_an_impossible_plan_is_refused_with_the_reason(settings, reason):
    with pytest.raises(UsageError, match=reason) as caught:
        plan_session(settings)
    assert "\n" not in str(caught.value)


def test_overlapping_holds_are_for_patches_that_are_not_mono():
    assert plan_session(SessionSettings(hold_seconds=3, spacing_seconds=2)).notes


def test_the_cue_sheet_names_every_note_in_plain_text():
    patches = (PatchCall(name="Läuten\n\x1b[2J", program=3),)
    sheet = plan_session(SessionSettings(patches=patches, repeats=2, transpose=-12, every=24))
    text = cue_sheet(sheet)
    assert "Patch: Läuten  [2J (program 3" in text
    assert len([line for line in text.splitlines() if line[:1].isdigit()]) == len(sheet.notes) + 1
    assert "24 C1" in text
    assert "repeat 2" in text
    assert "program 3" in text


def test_estimates():
    assert take_bytes(7200, 96_000, 24, 2) == 4_147_200_044
    assert clock_time(3725.44) == "1:02:05.4"
    assert clock_time(59.96) == "01:00.0"
