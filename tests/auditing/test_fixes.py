"""The corrected copy: what can be mended is, the original stays, the sound is not touched."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest
import soundfile

from keymapper.auditing.audit import AuditedPack, AuditSettings, audit_path
from keymapper.auditing.fixes.naming import new_names
from keymapper.auditing.fixes.writing import write_fixes
from keymapper.errors import OutputError
from keymapper.formats.sfz import read_sfz
from keymapper.formats.wav_chunks import read_embedded_hints
from keymapper.model.finding import Mended
from tests import pack_faults, pack_loop_faults, pack_map_faults
from tests.faulty_packs import clean_pack, write_pack
from tests.simple_notes import write_note

MENDABLE = [
    pack_faults.off,
    pack_faults.wrong_key,
    pack_faults.octave,
    pack_faults.embedded_root,
    pack_loop_faults.loop_outside,
    pack_loop_faults.loop_on_0,
    pack_loop_faults.loop_embedded,
    pack_loop_faults.loop_missing,
    pack_faults.late_start,
    pack_map_faults.wrong_case,
    pack_map_faults.unsafe,
    pack_map_faults.backslash,
    pack_map_faults.byte_order_mark,
    pack_map_faults.stray_text,
    pack_map_faults.bad_value,
]


def _audited(path: Path) -> list[AuditedPack]:
    return audit_path(path, AuditSettings(workers=1))


def _grave(path: Path) -> list[str]:
    (one,) = _audited(path)
    return [finding.rule for finding in one.judgement.findings if finding.severity != "note"]


def _digests(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def _fixed(pack: Path, target: Path) -> tuple[Mended, ...]:
    return write_fixes(_audited(pack), target, force=False, workers=1)


@pytest.mark.parametrize("fault", MENDABLE, ids=lambda fault: fault.__name__)
def test_what_can_be_mended_is_gone_in_the_copy(fault, tmp_path):
    spoiled = clean_pack(2, keys=8)
    assert spoiled.sustains
    fault(spoiled)
    pack = write_pack(spoiled, tmp_path / "pack")
    before = _digests(pack)
    rule = spoiled.truth[0][0]
    assert rule in _grave(pack)
    mended = _fixed(pack, tmp_path / "copy")
    assert mended
    assert rule not in _grave(tmp_path / "copy")
    assert _grave(tmp_path / "copy") == []
    assert _digests(pack) == before


def test_the_sound_of_the_copy_is_the_same(tmp_path):
    spoiled = clean_pack(2, keys=8)
    pack_faults.embedded_root(spoiled)
    pack = write_pack(spoiled, tmp_path / "pack")
    _fixed(pack, tmp_path / "copy")
    for note in spoiled.notes:
        before = soundfile.read(pack / note.file)[0]
        assert (soundfile.read(tmp_path / "copy" / note.file)[0] == before).all()
        hints = read_embedded_hints(tmp_path / "copy" / note.file)
        assert hints is not None
        assert (hints.root_key, hints.loop_end_frame) == (note.key, note.loop and note.loop[1])


def test_recordings_get_an_instrument(tmp_path):
    for key, name in [(48, "C3"), (52, "E3"), (55, "G3"), (60, "C4")]:
        write_note(tmp_path / "pack" / f"Tug {name}.wav", key, decay_seconds=0.3)
    mended = _fixed(tmp_path / "pack", tmp_path / "copy")
    assert [(one.what, one.after) for one in mended] == [("instrument", "pack.sfz")]
    regions = read_sfz(tmp_path / "copy" / "pack.sfz").regions
    assert sorted(region.pitch_keycenter for region in regions) == [48, 52, 55, 60]
    assert _grave(tmp_path / "copy") == []


def test_a_copy_is_not_replaced_unasked(tmp_path):
    write_note(tmp_path / "pack" / "Tug C3.wav", 48)
    (tmp_path / "copy").mkdir()
    with pytest.raises(OutputError, match="--force"):
        _fixed(tmp_path / "pack", tmp_path / "copy")


def test_an_earlier_copy_is_replaced_when_asked_and_nothing_else(tmp_path):
    spoiled = clean_pack(2, keys=8)
    pack_map_faults.unsafe(spoiled)
    audited = _audited(write_pack(spoiled, tmp_path / "pack"))
    write_fixes(audited, tmp_path / "copy", force=False, workers=1)
    before = _digests(tmp_path / "copy")
    write_fixes(audited, tmp_path / "copy", force=True, workers=1)
    assert _digests(tmp_path / "copy") == before
    (tmp_path / "copy" / "my take.wav").write_bytes(b"precious")
    with pytest.raises(OutputError, match=r"holds my take\.wav, which is no part of"):
        write_fixes(audited, tmp_path / "copy", force=True, workers=1)
    assert (tmp_path / "copy" / "my take.wav").read_bytes() == b"precious"


def test_a_copy_may_not_lie_in_the_pack(tmp_path):
    write_note(tmp_path / "pack" / "Tug C3.wav", 48)
    with pytest.raises(OutputError, match="may not lie inside"):
        _fixed(tmp_path / "pack", tmp_path / "pack" / "copy")


def test_names_are_kept_unless_a_system_refuses_them():
    names = new_names(["a/ok name.wav", "a/b?.wav", "A/OK NAME.wav", "a/CON.wav"])
    assert names["a/ok name.wav"] == "a/ok name.wav"
    assert names["a/b?.wav"] == "a/b.wav"
    assert names["A/OK NAME.wav"] == "A/OK NAME_2.wav"
    assert names["a/CON.wav"] == "a/_CON.wav"
