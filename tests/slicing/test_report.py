"""Names of notes, takes merged, and the report."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from keymapper.model.session import PatchCall
from keymapper.slicing.alike import Colour
from keymapper.slicing.evidence import HeardPitch
from keymapper.slicing.found import HELD_ON, RINGS_ON, FoundNote, SlicedTake
from keymapper.slicing.naming import patch_folders, plain_name, planned_file_name
from keymapper.slicing.report import TakeFacts, planned_report, unplanned_report, velocity_layers
from keymapper.slicing.unplanned import UnplannedTake
from tests.slicing.takes import sheet_of

SHEET = sheet_of((48, 52, 55))


def found(plan_index, onset, peak=-6.0, doubles=None, doubtful=()):
    return FoundNote(
        plan_index=plan_index,
        onset_seconds=onset,
        end_seconds=onset + 1,
        first_frame=round(onset * 1000),
        end_frame=round(onset * 1000) + 1000,
        peak_dbfs=peak,
        signal_to_noise_db=50.0,
        doubles_plan_index=doubles,
        doubtful=doubtful,
    )


def sliced(*notes, latency=0.5):
    return SlicedTake(
        latency_seconds=latency,
        drift_ppm=10.0,
        notes=notes,
        missing=(),
        outside=(),
        onsets_found=len(notes),
        onsets_matched=len(notes),
        noise_floor_dbfs=-80.0,
    )


def facts(name, suffix=".wav"):
    return TakeFacts(
        file=name, rate_hz=1000, channels=1, frames=9000, missing_frames=0, suffix=suffix
    )


def test_a_later_take_replaces_notes_and_names_stay():
    first = sliced(found(0, 1.0), found(1, 2.0), found(None, 2.2, doubles=1))
    second = sliced(found(1, 0.7), latency=-1.3)
    report = planned_report(SHEET, [first, second], [facts("a.wav"), facts("b.flac", ".flac")])
    assert [(n.file, n.take, n.onset_seconds) for n in report.notes] == [
        ("lamplight_048_v100_rr1.wav", 0, 1.0),
        ("lamplight_052_v100_rr1.flac", 1, 0.7),
        ("extra/extra_001.wav", 0, 2.2),
    ]
    assert report.missing == (2,)
    assert [(e.onset_seconds, e.doubles_plan_index) for e in report.extra] == [(2.2, 1)]
    assert (report.latency_seconds, report.takes[1].latency_seconds) == (0.5, -1.3)
    assert report.notes[2].key == 52
    assert report.notes[2].plan_index is None


@pytest.mark.parametrize("doubt", [HELD_ON, RINGS_ON])
def test_what_the_end_of_a_later_take_breaks_off_replaces_nothing_whole(doubt):
    names = [facts("a.wav"), facts("b.wav"), facts("c.wav")]
    whole = sliced(found(0, 1.0, doubtful=(doubt,)), found(1, 8.0))
    broken_off = [sliced(found(0, 3.0), found(i, 8.0, doubtful=(doubt,))) for i in (1, 2)]
    report = planned_report(SHEET, [whole, *broken_off], names)
    assert [(n.plan_index, n.take) for n in report.notes] == [(0, 2), (1, 0), (2, 2)]
    last = sliced(found(2, 7.99, doubtful=(doubt,)))
    assert planned_report(SHEET, [broken_off[1], last], names[:2]).notes[-1].take == 1


def test_without_a_plan_keys_come_from_pitch_and_velocities_from_level():
    notes = [found(None, i, peak) for i, peak in enumerate((-20.0, -6.0, -19.0, -7.0, -12.0))]
    pitches = [HeardPitch(key=k, confidence=0.99) for k in (60.1, 59.9, 60.0, 60.2)] + [None]
    colours = (Colour(shares=np.full(4, 0.25), fall_seconds=None),) * len(notes)
    take = UnplannedTake(sliced=sliced(*notes), pitches=tuple(pitches), colours=colours)
    report = unplanned_report("Night walk", [take], [facts("a.wav")])
    assert [n.file for n in report.notes] == [
        "night-walk_060_v064_rr1.wav",
        "night-walk_060_v127_rr1.wav",
        "night-walk_060_v064_rr2.wav",
        "night-walk_060_v127_rr2.wav",
        "night-walk_unpitched_v127_rr1.wav",
    ]
    assert report.notes[4].key is None
    assert report.notes[4].doubtful == ("no pitch was found",)


def test_levels_near_each_other_share_a_layer():
    assert velocity_layers([60] * 5, [-30.0, -10.0, -29.0, -20.5, -10.5]) == [42, 127, 42, 85, 127]


def test_keys_are_played_in_as_many_layers_as_most_of_them():
    """Three repeats of five keys: one of them uneven by chance, one in two layers on purpose."""
    keys = [key for key in (60, 62, 64, 65, 67) for _ in range(3)]
    even = [-10.0, -9.0, -11.5]
    levels = [*even, *even, -10.0, -12.5, -9.5, *even, -9.0, -10.0, -18.0]
    assert velocity_layers(keys, levels) == [127] * 14 + [64]
    assert velocity_layers([f"drum {key}" for key in keys], levels).count(64) == 2


def test_layers_that_most_keys_have_may_lie_close():
    keys = [key for key in (60, 62, 64) for _ in range(2)]
    assert velocity_layers(keys, [-10.0, -13.0, -9.0, -12.5, -10.0, -11.0]) == [
        127, 64, 127, 64, 127, 127,
    ]  # fmt: skip


@given(st.text(max_size=80))
def test_names_are_safe_on_every_system(text):
    name = plain_name(text)
    assert name == name.strip("-")
    assert len(name) <= 40
    assert set(name) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")


@given(st.lists(st.text(max_size=50), min_size=2, max_size=6))
def test_patches_have_folders_of_their_own(names):
    folders = patch_folders([PatchCall(name=name) for name in names])
    assert len(set(folders)) == len(names)
    assert all(folder.endswith("/") and ".." not in folder for folder in folders)


@pytest.mark.parametrize(("role", "folder"), [("sync", "count-in/"), ("reference", "reference/")])
def test_notes_that_are_no_samples_lie_apart(role, folder):
    from dataclasses import replace

    note = replace(SHEET.notes[0], role=role)
    assert planned_file_name(note, SHEET.patches, ".wav") == f"{folder}lamplight_048_v100_rr1.wav"
