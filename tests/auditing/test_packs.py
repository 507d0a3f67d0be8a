"""Which packs lie at a path, and what is read of them."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from keymapper.auditing.audit import AuditedPack, AuditSettings, audit_path
from keymapper.auditing.packs import find_packs
from keymapper.errors import InputError
from tests.simple_notes import write_note


def _files(folder: Path, *names: str) -> None:
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(b"")


def _audited(path: Path, **settings) -> AuditedPack:
    (one,) = audit_path(path, AuditSettings(workers=1, **settings))
    return one


def _rules(audited: AuditedPack) -> set[str]:
    return {one.rule for one in audited.judgement.findings}


def test_a_folder_of_recordings_is_one_pack(tmp_path):
    _files(tmp_path, "b.wav", "a.wav", "soft/c.wav", ".hidden.wav", "notes.txt")
    (pack,) = find_packs(tmp_path)
    assert pack.audio == ("a.wav", "b.wav", "soft/c.wav")
    assert pack.instruments == ()
    assert "notes.txt" in pack.files


def test_instruments_beside_samples_are_one_pack(tmp_path):
    _files(tmp_path, "Pad/Instruments/pad.sfz", "Pad/Samples/a.wav", "Bass/bass.sfz", "Bass/b.wav")
    assert [pack.name for pack in find_packs(tmp_path)] == ["Bass", "Pad"]
    assert find_packs(tmp_path)[1].instruments == ("Instruments/pad.sfz",)


def test_a_tree_of_packs_and_recordings(tmp_path):
    _files(tmp_path, "one/x.sfz", "one/samples/x.wav", "two/a.wav", "two/more/b.wav", "docs/c.wav")
    assert [pack.name for pack in find_packs(tmp_path)] == ["docs", "one", "two"]
    (whole,) = find_packs(tmp_path, as_one=True)
    assert whole.name == "."


def test_previews_are_no_samples(tmp_path):
    _files(tmp_path, "x.sfz", "samples/x.wav", "Previews/demo.flac")
    (pack,) = find_packs(tmp_path)
    assert pack.audio == ("samples/x.wav",)


@pytest.mark.parametrize("name", ["missing", "empty", "x.txt"])
def test_nothing_to_audit_is_one_line(tmp_path, name):
    (tmp_path / "empty").mkdir()
    _files(tmp_path, "x.txt")
    with pytest.raises(InputError) as error:
        find_packs(tmp_path / name)
    assert "\n" not in str(error.value)


def test_a_link_that_leaves_the_pack_is_told_and_not_opened(tmp_path):
    write_note(tmp_path / "outside" / "a.wav", 60)
    write_note(tmp_path / "pack" / "b.wav", 62)
    (tmp_path / "pack" / "c.wav").symlink_to(tmp_path / "outside" / "a.wav")
    audited = _audited(tmp_path / "pack")
    assert [sample.file for sample in audited.pack.samples] == ["b.wav"]
    assert "file-link-out" in _rules(audited)


def test_a_path_out_of_the_pack_is_told_and_not_opened(tmp_path):
    write_note(tmp_path / "a.wav", 60)
    write_note(tmp_path / "pack" / "b.wav", 62)
    sfz = tmp_path / "pack" / "x.sfz"
    sfz.write_text("<region>\nsample=../a.wav\nkey=60\n<region>\nsample=b.wav\nkey=62\n")
    audited = _audited(sfz)
    assert "file-outside-pack" in _rules(audited)
    assert [sample.file for sample in audited.pack.samples] == ["b.wav"]
    wider = _audited(sfz, pack_folder=tmp_path)
    assert "file-outside-pack" not in _rules(wider)


def test_a_hand_written_instrument_is_read_whole(tmp_path):
    for key in (60, 62, 64):
        write_note(tmp_path / "Samples" / f"My Note {key}.wav", key)
    (tmp_path / "parts").mkdir()
    (tmp_path / "parts" / "low.sfz").write_text("<region> sample=My Note 60.wav $KEYS=60\n")
    (tmp_path / "x.sfz").write_bytes(
        b"\xef\xbb\xbf// by hand\r\n<control> default_path=samples\\\r\n#define $KEYS key\r\n"
        b'<group> loopmode=no_loop\r\n#include "parts/low.sfz"\r\n'
        b"<region> sample=my note 62.wav key=d4\r\n/* the top */ <region>sample=My Note 64.wav "
        b"key=64 tune=-3\r\n"
    )
    audited = _audited(tmp_path)
    (instrument,) = audited.pack.instruments
    assert instrument.name == "x.sfz"
    assert [zone.root_key for zone in instrument.zones] == [60, 62, 64]
    assert [zone.file for zone in instrument.zones] == [
        f"Samples/My Note {key}.wav" for key in (60, 62, 64)
    ]
    assert {"file-wrong-case", "sfz-portability"} <= _rules(audited)
    assert "file-missing" not in _rules(audited)
    assert audited.pack.unused == ()


def test_zones_play_as_sharp_as_measured_and_tuned(tmp_path):
    write_note(tmp_path / "a.wav", 60)
    (tmp_path / "x.sfz").write_text(
        "<region>sample=a.wav pitch_keycenter=60 tune=20\n"
        "<region>sample=a.wav pitch_keycenter=59 transpose=-1 lokey=1\n"
        "<region>sample=a.wav pitch_keycenter=61 lokey=2\n"
        "<region>sample=a.wav pitch_keytrack=0 lokey=3\n"
    )
    (instrument,) = _audited(tmp_path).pack.instruments
    cents = [zone.deviation.cents for zone in instrument.zones]
    assert cents[:3] == pytest.approx([20.0, 0.0, -100.0], abs=0.5)
    assert cents[3] is None
    assert instrument.zones[3].deviation.reason


def test_names_say_the_keys_of_recordings(tmp_path):
    for key, name in [(48, "C2"), (50, "D2"), (52, "E2"), (55, "G2")]:
        write_note(tmp_path / f"Tug {name}.wav", key)
    (instrument,) = _audited(tmp_path).pack.instruments
    assert not instrument.mapped
    assert sorted(zone.root_key for zone in instrument.zones) == [48, 50, 52, 55]


def test_the_sides_of_a_stereo_recording_are_no_repeats(tmp_path):
    for key in (48, 52, 55):
        for side, peak in (("L", 0.3), ("R", 0.1)):
            write_note(tmp_path / f"Tug {key} {side}.wav", key, peak=peak)
    (instrument,) = _audited(tmp_path).pack.instruments
    assert sorted(zone.file for zone in instrument.zones) == [
        f"Tug {key} L.wav" for key in (48, 52, 55)
    ]


def test_an_unreadable_file_is_a_finding_and_no_end(tmp_path):
    write_note(tmp_path / "a.wav", 60)
    (tmp_path / "b.wav").write_bytes(b"RIFF")
    audited = _audited(tmp_path)
    broken = [one for one in audited.judgement.findings if one.rule == "file-unreadable"]
    assert [one.file for one in broken] == ["b.wav"]


def test_an_instrument_that_is_no_text_is_a_finding_and_no_end(tmp_path):
    write_note(tmp_path / "a.wav", 60)
    (tmp_path / "x.sfz").write_bytes(b"\0\0\0")
    assert "sfz-unreadable" in _rules(_audited(tmp_path))
    with pytest.raises(InputError, match="not text"):
        _audited(tmp_path / "x.sfz")


def test_a_foreign_manifest_says_nothing(tmp_path):
    write_note(tmp_path / "a.wav", 60)
    (tmp_path / "manifest.json").write_text('{"name": "a web page"}')
    audited = _audited(tmp_path)
    assert [one.mapped for one in audited.pack.instruments] == [False]
    assert "sfz-unreadable" not in _rules(audited)


def test_a_name_that_is_no_text_is_told_and_not_opened(tmp_path):
    write_note(tmp_path / "a.wav", 60)
    (tmp_path / os.fsdecode(b"b\xff.wav")).write_bytes(b"")
    audited = _audited(tmp_path)
    assert audited.pack.unnamable == ("b\\udcff.wav",)
    assert "file-unsafe-name" in _rules(audited)
