"""From plan and take to an instrument, with copies of the notes and without."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from keymapper import BuildSettings, Recipe, build_from_takes, build_instrument
from keymapper.auditing.built_diagnosis import diagnosed_build
from keymapper.cli.plan import plan
from keymapper.cutting import cut_takes, read_plan, write_notes
from keymapper.errors import InputError
from keymapper.model.recipe import LayerSettings
from tests.session_takes import PATCHES, Key, Patch, Recording, render_take

ONE = BuildSettings(workers=1, prove=False, page=False)


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    top = tmp_path_factory.mktemp("session")
    plan(out=top / "plan", keys="C3,E3,G3", velocities="60,110", hold=1.2, quiet=True)
    sheet = read_plan(top / "plan" / "session.json").sheet
    how = Recording(latency_seconds=0.7, drift_ppm=150.0)
    take = render_take(sheet.notes, Patch(), how)
    soundfile.write(top / "take.wav", take.samples, take.rate_hz, subtype="PCM_24")
    return top, sheet


def zones(manifest):
    return [
        (z.root_key, z.low_key, z.high_key, z.low_velocity, z.high_velocity, z.loop)
        for z in manifest.zones
    ]


def test_with_copies_and_without_gives_the_same_instrument(session, tmp_path):
    top, sheet = session
    take = top / "take.wav"
    write_notes(cut_takes([take], sheet), [take], tmp_path / "notes")
    copied = build_instrument(tmp_path / "notes", tmp_path / "one", settings=ONE)
    direct = build_from_takes([take], sheet, tmp_path / "two", settings=ONE)
    assert zones(copied) == zones(direct)
    assert [z[0] for z in zones(direct)] == [48, 52, 55, 48, 52, 55]
    samples = [
        (one.sample.processing.start_frame, one.sample.frames, one.sample.peak_dbfs)
        for one in direct.notes
    ]
    assert samples == [
        (one.sample.processing.start_frame, one.sample.frames, one.sample.peak_dbfs)
        for one in copied.notes
    ]


def test_a_build_knows_when_each_note_was_played_with_copies_and_without(session, tmp_path):
    top, sheet = session
    take = top / "take.wav"
    write_notes(cut_takes([take, take], sheet), [take, take], tmp_path / "notes")
    length = soundfile.info(take).duration
    for manifest in (
        build_instrument(tmp_path / "notes", tmp_path / "one", settings=ONE),
        build_from_takes([take, take], sheet, tmp_path / "two", settings=ONE),
    ):
        played = sorted(note.source.session_seconds - length - 0.7 for note in manifest.notes)
        planned = [note.on_seconds for note in sheet.notes if note.role == "note"]
        assert played == pytest.approx([seconds * 1.00015 for seconds in planned], abs=0.003)
        (found,) = diagnosed_build(manifest)
        assert found.order_from == "session sheet"


def test_a_key_that_was_planned_is_believed_against_another_octave_heard(session, tmp_path):
    _, sheet = session
    index = next(i for i, note in enumerate(sheet.notes) if (note.key, note.velocity) == (55, 60))
    played = [*sheet.notes]
    played[index] = replace(played[index], key=43)
    take, out = tmp_path / "take.wav", tmp_path / "notes"
    sound = render_take(played, Patch(), Recording())
    soundfile.write(take, sound.samples, sound.rate_hz, subtype="PCM_24")
    write_notes(cut_takes([take], sheet), [take], out)
    for manifest in (
        build_instrument(out, tmp_path / "one", settings=ONE),
        build_from_takes([take], sheet, tmp_path / "two", settings=ONE),
    ):
        assert [zone[0] for zone in zones(manifest)] == [48, 52, 55, 48, 52, 55]
        (doubt,) = manifest.doubts
        assert doubt.message.endswith("G3 is taken from the plan of the session")


def test_what_stands_still_while_held_loops_there_however_long_it_dies_away(tmp_path):
    plan(out=tmp_path / "plan", keys="C3,G3", velocities="100", hold=2.0, release=4.0, quiet=True)
    sheet = read_plan(tmp_path / "plan" / "session.json").sheet
    sound = render_take(sheet.notes, Patch(attack_seconds=0.3, release_seconds=6.0), Recording())
    take = tmp_path / "take.wav"
    soundfile.write(take, sound.samples, sound.rate_hz, subtype="PCM_24")
    write_notes(cut_takes([take], sheet), [take], tmp_path / "notes")
    for manifest in (
        build_instrument(tmp_path / "notes", tmp_path / "one", settings=ONE),
        build_from_takes([take], sheet, tmp_path / "two", settings=ONE),
    ):
        for note in manifest.notes:
            held = 2.0 * note.source.rate - note.sample.processing.start_frame
            assert note.loop.loop.end_frame < held
            assert note.measurement.course.sustains
            off_seconds = note.measurement.course.note_off_frame / note.source.rate
            assert off_seconds == pytest.approx(2.0, abs=0.03)


def test_a_file_changed_since_it_was_cut_is_no_longer_held_as_planned(session, tmp_path):
    top, sheet = session
    out = tmp_path / "notes"
    write_notes(cut_takes([top / "take.wav"], sheet), [top / "take.wav"], out)
    file = out / "session_052_v110_rr1.wav"
    samples, rate = soundfile.read(file, always_2d=True)
    later = np.concatenate([np.zeros((rate, samples.shape[1])), samples])
    soundfile.write(file, later, rate, subtype="PCM_24")
    manifest = build_instrument(out, tmp_path / "out", settings=ONE)
    (note,) = (one for one in manifest.notes if one.source.file == file.name)
    assert note.measurement.course.note_off_frame == pytest.approx(2.2 * rate, abs=0.05 * rate)


def test_notes_of_a_take_are_traced_to_it(session, tmp_path):
    top, sheet = session
    manifest = build_from_takes([top / "take.wav"], sheet, tmp_path / "out", settings=ONE)
    assert {note.source.take for note in manifest.notes} == {"take.wav"}
    firsts = [note.source.first_frame for note in manifest.notes]
    assert len(set(firsts)) == 6
    assert json.loads((tmp_path / "out" / "manifest.json").read_text())["name"] == "take"


def test_count_in_notes_are_no_zones(session, tmp_path):
    top, sheet = session
    take = top / "take.wav"
    write_notes(cut_takes([take], sheet), [take], tmp_path / "notes")
    manifest = build_instrument(tmp_path / "notes", tmp_path / "out", settings=ONE)
    assert len(manifest.zones) == 6
    assert {s.reason for s in manifest.skipped} == {"a sync note of the session"}


@pytest.fixture
def accidents(session, tmp_path):
    """A take with a key beside the plan and one struck twice."""
    _, sheet = session
    first, second = (note for note in sheet.notes if note.key == 48 and note.role == "note")
    beside = Key(
        key=48, velocity=90, on_seconds=first.off_seconds + 0.4, off_seconds=first.off_seconds + 0.7
    )
    how = Recording(extra=(beside,), doubled={sheet.notes.index(second): 0.4})
    sound = render_take(sheet.notes, PATCHES["pluck"], how)
    take = tmp_path / "take.wav"
    soundfile.write(take, sound.samples, sound.rate_hz, subtype="PCM_24")
    return take, sheet


def test_what_is_not_in_the_plan_is_no_turn_and_doubts_of_cutting_are_told(accidents, tmp_path):
    take, sheet = accidents
    write_notes(cut_takes([take], sheet), [take], tmp_path / "notes")
    for manifest in (
        build_instrument(tmp_path / "notes", tmp_path / "one", settings=ONE),
        build_from_takes([take], sheet, tmp_path / "two", settings=ONE),
    ):
        assert [zone.round_robins for zone in manifest.zones] == [1] * 6
        reasons = {s.file: s.reason for s in manifest.skipped if s.file.startswith("extra/")}
        assert reasons == dict.fromkeys(
            ["extra/extra_001.wav", "extra/extra_002.wav"], "not in the plan of the session"
        )
        told = [(doubt.file, doubt.message) for doubt in manifest.doubts if doubt.about == "file"]
        while_held = "the next onset, or the end of the take, comes while it is held"
        assert ("session_048_v110_rr1.wav", while_held) in told


def test_planned_notes_that_no_take_holds_are_told(session, tmp_path):
    _, sheet = session
    lost = next(i for i, note in enumerate(sheet.notes) if (note.key, note.velocity) == (52, 110))
    sound = render_take(sheet.notes, Patch(), Recording(missing=frozenset({lost})))
    take, out = tmp_path / "take.wav", tmp_path / "notes"
    soundfile.write(take, sound.samples, sound.rate_hz, subtype="PCM_24")
    write_notes(cut_takes([take], sheet), [take], out)
    told = ("session_052_v110_rr1.wav", "planned, but missing in the take")
    for manifest in (
        build_instrument(out, tmp_path / "one", settings=ONE),
        build_from_takes([take], sheet, tmp_path / "two", settings=ONE),
    ):
        assert told in [(one.file, one.reason) for one in manifest.skipped]
    played_after_all = out / told[0]
    played_after_all.write_bytes((out / "session_048_v110_rr1.wav").read_bytes())
    again = build_instrument(out, tmp_path / "three", settings=ONE)
    assert told not in [(one.file, one.reason) for one in again.skipped]


def test_notes_cut_without_a_plan_are_all_built(session, tmp_path):
    top, _ = session
    report = cut_takes([top / "take.wav"], None)
    write_notes(report, [top / "take.wav"], tmp_path / "notes")
    manifest = build_instrument(tmp_path / "notes", tmp_path / "out", settings=ONE)
    assert len(manifest.notes) + len(manifest.skipped) == len(report.notes)
    assert not any("plan" in one.reason for one in manifest.skipped)


def two_patches(session, folder):
    """Write the notes of a session as those of two patches, a folder each."""
    top, sheet = session
    write_notes(cut_takes([top / "take.wav"], sheet), [top / "take.wav"], folder)
    report = json.loads((folder / "notes.json").read_text())
    for number, note in enumerate(report["notes"]):
        note["patch"] = number % 2
        file = f"{('lead', 'bass')[number % 2]}/{note['file']}"
        (folder / file).parent.mkdir(parents=True, exist_ok=True)
        (folder / note["file"]).rename(folder / file)
        note["file"] = file
    (folder / "notes.json").write_text(json.dumps(report))


def test_what_a_patch_lacks_is_told_of_its_own_layer(session, tmp_path):
    two_patches(session, tmp_path / "notes")
    report = json.loads((tmp_path / "notes" / "notes.json").read_text())
    report["missing_files"] = ["lead/lost.wav"]
    (tmp_path / "notes" / "notes.json").write_text(json.dumps(report))
    for layer, lost in (("lead", ["lead/lost.wav"]), ("bass", [])):
        recipe = Recipe(layer=(LayerSettings(folder=layer),))
        manifest = build_instrument(tmp_path / "notes", tmp_path / layer, recipe, settings=ONE)
        assert [one.file for one in manifest.skipped if "planned" in one.reason] == lost


def test_patches_of_a_session_are_no_turns_of_each_other(session, tmp_path):
    two_patches(session, tmp_path / "notes")
    with pytest.raises(InputError, match=r"several patches.*bass, lead"):
        build_instrument(tmp_path / "notes", tmp_path / "out", settings=ONE)
    assert not (tmp_path / "out").exists()


def test_count_in_notes_of_one_patch_of_several_are_no_zones(session, tmp_path):
    two_patches(session, tmp_path / "notes")
    manifest = build_instrument(tmp_path / "notes" / "lead", tmp_path / "out", settings=ONE)
    assert manifest.skipped
    assert {one.reason for one in manifest.skipped} == {"a sync note of the session"}


def test_nothing_is_copied_to_disk(session, tmp_path):
    top, sheet = session
    build_from_takes([top / "take.wav"], sheet, tmp_path / "out", settings=ONE)
    assert sorted(Path(p).name for p in tmp_path.iterdir()) == ["out"]
