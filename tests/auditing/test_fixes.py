"""The corrected copy: what can be mended is, the original stays, the sound is not touched."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest
import soundfile

from keymapper.auditing.audit import AuditedPack, AuditSettings, audit_path
from keymapper.auditing.fixes.loops import LoopOrder, mended_loop
from keymapper.auditing.fixes.naming import new_names
from keymapper.auditing.fixes.plan import WantedLoop, zone_fixes
from keymapper.auditing.fixes.writing import write_fixes
from keymapper.auditing.judging import judged_pack
from keymapper.auditing.subject import PackInstrument
from keymapper.errors import OutputError
from keymapper.formats.sfz import read_sfz
from keymapper.formats.wav_chunks import read_embedded_hints
from keymapper.model.finding import Mended, RuleChange
from tests import pack_faults, pack_loop_faults, pack_map_faults
from tests.auditing.subjects import instrument, pack, zone
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


@pytest.mark.parametrize(
    ("fault", "rule"),
    [
        (pack_faults.off, "tuning"),
        (pack_faults.embedded_root, "tuning"),
        (pack_faults.late_start, "edge-late-start"),
        (pack_loop_faults.loop_embedded, "loop-embedded-disagrees"),
        (pack_loop_faults.loop_missing, "loop"),
    ],
)
def test_what_is_switched_off_is_left_alone(fault, rule, tmp_path):
    spoiled = clean_pack(2, keys=8)
    fault(spoiled)
    pack = write_pack(spoiled, tmp_path / "pack")
    changes = (RuleChange(rule=rule, off=True, reason="meant so"),)
    audited = audit_path(pack, AuditSettings(workers=1, changes=changes))
    assert write_fixes(audited, tmp_path / "copy", force=False, workers=1) == ()


def test_recordings_get_an_instrument(tmp_path):
    for key, name in [(48, "C3"), (52, "E3"), (55, "G3"), (60, "C4")]:
        write_note(tmp_path / "pack" / f"Tug {name}.wav", key, decay_seconds=0.3)
    mended = _fixed(tmp_path / "pack", tmp_path / "copy")
    assert [(one.what, one.after) for one in mended] == [("instrument", "pack.sfz")]
    regions = read_sfz(tmp_path / "copy" / "pack.sfz").regions
    assert sorted(region.pitch_keycenter for region in regions) == [48, 52, 55, 60]
    assert {region.loop_mode for region in regions} == {"no_loop"}
    assert _grave(tmp_path / "copy") == []


@pytest.mark.parametrize(
    ("rule", "opcode"),
    [("tuning", "tune"), ("edge-late-start", "offset"), ("loop-missing", "loop_start")],
)
def test_an_instrument_of_recordings_leaves_alone_what_is_switched_off(rule, opcode, tmp_path):
    for key, name in [(48, "C3"), (52, "E3"), (55, "G3"), (60, "C4")]:
        write_note(tmp_path / "pack" / f"Tug {name}.wav", key + 0.2, seconds=3.0)

    def written(*changes: RuleChange) -> str:
        audited = audit_path(tmp_path / "pack", AuditSettings(workers=1, changes=changes))
        write_fixes(audited, tmp_path / "copy", force=True, workers=1)
        return (tmp_path / "copy" / "pack.sfz").read_text("utf-8")

    line = f"{opcode}=-20" if opcode == "tune" else f"{opcode}="
    assert line in written()
    spared = written(RuleChange(rule=rule, off=True, reason="meant so"))
    assert line not in spared
    assert all(other in spared for other in ("tune=-20", "offset=", "loop_start=") if other != line)


@pytest.mark.parametrize(("limit", "tune"), [(10.0, "-20"), (30.0, "0")])
def test_an_instrument_of_recordings_is_tuned_beyond_the_limit_asked_for(limit, tune, tmp_path):
    for key, name in [(48, "C3"), (52, "E3"), (55, "G3"), (60, "C4")]:
        write_note(tmp_path / "pack" / f"Tug {name}.wav", key + 0.2)
    change = RuleChange(rule="tuning", limit=limit, reason="loose on purpose")
    audited = audit_path(tmp_path / "pack", AuditSettings(workers=1, changes=(change,)))
    write_fixes(audited, tmp_path / "copy", force=False, workers=1)
    regions = read_sfz(tmp_path / "copy" / "pack.sfz").regions
    assert {f"{region.tune_cents:g}" for region in regions} == {tune}


def test_recordings_at_full_scale_are_not_turned_up_beyond_it(tmp_path):
    """One note is softer than the others for its loud attack: evening raises it."""
    for key in range(48, 76, 4):
        path = tmp_path / "pack" / f"Tug {key}.wav"
        write_note(path, key, decay_seconds=5.0)
        samples, rate = soundfile.read(path)
        if key == 60:
            samples *= 0.5 / abs(samples).max()
            samples[rate // 10 : rate // 10 + 30] += np.hanning(30)
        soundfile.write(path, 0.99 * samples / abs(samples).max(), rate, subtype="PCM_24")
    _fixed(tmp_path / "pack", tmp_path / "copy")
    regions = read_sfz(tmp_path / "copy" / "pack.sfz").regions
    volumes = [region.volume_db for region in regions]
    assert max(volumes) - min(volumes) > 3.0
    assert max(volumes) < 0.1


@pytest.mark.parametrize(("stiffness", "is_looped"), [(0.0, True), (4e-4, False)])
def test_no_loop_is_added_that_would_be_heard(stiffness, is_looped, tmp_path):
    seconds = np.arange(96_000) / 48_000
    samples = np.zeros(len(seconds))
    for order in range(1, 20):
        turns = 220 * order * np.sqrt(1 + stiffness * order**2) * seconds
        fall = np.exp(-seconds * 0.12 * order) if stiffness else 1.0
        samples += 0.2 / order * np.sin(2 * np.pi * turns) * fall
    soundfile.write(tmp_path / "a.wav", samples, 48_000, subtype="PCM_24")
    wanted = WantedLoop(file="a.wav", f0_hz=220.0, candidates=())
    found = mended_loop(LoopOrder(path=tmp_path / "a.wav", wanted=wanted))
    assert (found is not None) == is_looped


def test_release_samples_are_not_looped(tmp_path):
    for name in ("C3", "E3", "G3", "C3 rel", "E3 rel", "G3 rel"):
        key = {"C": 48, "E": 52, "G": 55}[name[0]]
        write_note(tmp_path / "pack" / f"Tug {name}.wav", key, seconds=3.0)
    _fixed(tmp_path / "pack", tmp_path / "copy")
    regions = read_sfz(tmp_path / "copy" / "pack.sfz").regions
    assert [one.loop_mode for one in regions if one.is_release] == ["one_shot"] * 3
    assert [one.loop_mode for one in regions if not one.is_release] == ["loop_continuous"] * 3


def test_a_release_sample_that_loops_is_made_to_end(tmp_path):
    for key in (48, 52):
        write_note(tmp_path / "pack" / f"Tug {key}.wav", key)
        write_note(tmp_path / "pack" / f"Tug {key} rel.wav", key)
    text = "".join(
        f"<region> sample=Tug {key}.wav key={key} loop_mode=one_shot\n"
        f"<region> sample=Tug {key} rel.wav key={key} trigger=release loop_mode=loop_continuous"
        " loop_start=30000 loop_end=60000\n"
        for key in (48, 52)
    )
    (tmp_path / "pack" / "Tug.sfz").write_text(text)
    assert _grave(tmp_path / "pack").count("loop-on-release") == 2
    _fixed(tmp_path / "pack", tmp_path / "copy")
    assert [one.loop_mode for one in read_sfz(tmp_path / "copy" / "Tug.sfz").regions] == [
        "one_shot"
    ] * 4


def test_tuning_that_the_levels_above_give_is_taken_into_account(tmp_path):
    rows = ""
    for key in (48, 52, 56):
        write_note(tmp_path / "pack" / f"Tug {key}.wav", key)
        rows += f"<region> sample=Tug {key}.wav key={key} loop_mode=one_shot tune=3\n"
    (tmp_path / "pack" / "Tug.sfz").write_text(f"<group> group_tune=-20\n{rows}")
    assert _grave(tmp_path / "pack").count("tuning-off") == 3
    mended = [one for one in _fixed(tmp_path / "pack", tmp_path / "copy") if one.what == "tune"]
    assert [(one.before, one.after) for one in mended] == [("3", "20")] * 3
    assert "tuning-off" not in _grave(tmp_path / "copy")


def test_root_keys_are_told_and_written_as_the_file_counts_keys(tmp_path):
    for key in (57, 60, 63, 66):
        write_note(tmp_path / "pack" / f"Tug {key}.wav", key)
    zones = [
        f"<region> sample=Tug {key}.wav key={key - 3 * (key == 60) + 3}\n"
        for key in (57, 60, 63, 66)
    ]
    (tmp_path / "pack" / "Tug.sfz").write_text("<control> note_offset=-3\n" + "".join(zones))
    mended = _fixed(tmp_path / "pack", tmp_path / "copy")
    roots = [(one.before, one.after) for one in mended if one.what == "pitch_keycenter"]
    assert roots == [("60", "63")]
    regions = read_sfz(tmp_path / "copy" / "Tug.sfz").regions
    assert [one.pitch_keycenter for one in regions] == [57, 60, 63, 66]


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


def _off_zones() -> PackInstrument:
    cents = {48: 1.4, 52: 0.0, 55: 6.0, 59: 30.0, 62: 0.2, 66: 100.0}
    return instrument(*(zone(key, off, file=f"{key}.wav") for key, off in cents.items()))


@pytest.mark.parametrize(
    ("changes", "tuned"),
    [
        ((), [55, 59, 66]),
        ((RuleChange(rule="tuning", off=True, reason="ours"),), []),
        ((RuleChange(rule="tuning-off", limit=8.0, reason="stretched"),), [55, 59, 66]),
        (
            (
                RuleChange(rule="tuning-slightly-off", limit=8.0, reason="stretched"),
                RuleChange(rule="tuning-off", limit=8.0, reason="stretched"),
                RuleChange(rule="tuning-neighbours", off=True, reason="stretched"),
            ),
            [59, 66],
        ),
    ],
)
def test_only_what_is_found_is_tuned(changes, tuned):
    off = _off_zones()
    judgement = judged_pack(pack(instruments=(off,)), changes)
    fixes = zone_fixes(off, judgement, {})
    changed = [
        zone.root_key
        for zone, fix in zip(off.zones, fixes, strict=True)
        if (fix.root_key, fix.tune_cents) != (None, None)
    ]
    assert changed == tuned


def test_layers_an_octave_apart_stay_so(tmp_path):
    rows = ""
    for key in (48, 52, 56):
        write_note(tmp_path / "pack" / f"Tug {key}.wav", key)
        keys = f"lokey={key} hikey={key + 3} pitch_keycenter={key}"
        rows += f"<region> loop_mode=no_loop sample=Tug {key}.wav {keys}\n"
    text = f"<group>\n{rows}<group> transpose=12\n{rows}"
    (tmp_path / "pack" / "Tug.sfz").write_text(text)
    mended = _fixed(tmp_path / "pack", tmp_path / "copy")
    assert not {one.what for one in mended} & {"tune", "pitch_keycenter"}
