"""A folder as messy as real ones are: each file is used, told about or passed over as it should."""

import pytest

from keymapper import BuildSettings, build_instrument
from tests.messy_folder import write_messy_folder

ABOUT = {
    "dead channel": "channels",
    "inverted channel": "channels",
    "clipped": "level",
    "wrong name": "name",
    "wrong octave": "name",
    "cut off": "file",
}


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    top = tmp_path_factory.mktemp("messy")
    expected = write_messy_folder(top / "Lamp")
    manifest = build_instrument(top / "Lamp", top / "out", settings=BuildSettings(workers=2))
    return expected, manifest


def test_every_sound_is_a_zone_at_the_key_that_sounds(built):
    expected, manifest = built
    roots = {note.source.file: note.decision for note in manifest.notes}
    for one in expected:
        if one.key is not None:
            assert roots[one.file].root_key == one.key, one.file
            assert roots[one.file].tuning_cents == pytest.approx(one.tuning_cents, abs=0.3)
    assert len(roots) == sum(one.key is not None for one in expected)


def test_every_fault_is_told_under_its_kind(built):
    expected, manifest = built
    told = {(doubt.file, doubt.about) for doubt in manifest.doubts}
    wanted = {(o.file, ABOUT[o.fault]) for o in expected if o.key and o.fault in ABOUT}
    assert wanted <= told
    assert {file for file, _ in told} == {file for file, _ in wanted}


def test_useless_files_are_skipped_with_a_reason(built):
    expected, manifest = built
    reasons = {skipped.file: skipped.reason for skipped in manifest.skipped}
    for one in expected:
        if one.outcome == "skipped":
            assert reasons[one.file], one.file
    unseen = {one.file for one in expected if one.outcome == "unseen"}
    assert not unseen & {note.source.file for note in manifest.notes}


def test_hints_in_chunks_are_kept(built):
    _, manifest = built
    note = next(n for n in manifest.notes if n.source.file == "Lamp A2.wav")
    assert note.embedded is not None
    assert note.embedded.root_key == 45
    assert (note.embedded.loop_start_frame, note.embedded.loop_end_frame) == (30_000, 50_000)


def test_one_octave_and_folder_names_make_safe_sample_names(built):
    _, manifest = built
    names = [zone.sample for zone in manifest.zones]
    assert len(set(names)) == len(names)
    assert all(name.isascii() and name.startswith("samples/Lamp_") for name in names)
