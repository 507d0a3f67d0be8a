"""The main job, end to end, on folders of notes whose truth is known."""

import json
import os
import re
import resource
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from keymapper import BuildSettings, Recipe, build_instrument
from keymapper.errors import InputError, OutputError, UsageError
from keymapper.exporting.quantise import quantised
from keymapper.formats.manifest import read_manifest
from keymapper.formats.recipe import read_recipe
from keymapper.formats.sfz import read_sfz
from keymapper.formats.wav_chunks import SampleChunks, read_embedded_hints, write_wav
from keymapper.model.recipe import (
    LoopSettings,
    NoteCorrection,
    OneShotSettings,
    SampleSettings,
    ZoneSettings,
)
from keymapper.pipeline import plan
from keymapper.proving.proof_file import read_proof
from tests.simple_notes import RATE, note, write_note

ONE = BuildSettings(workers=1, prove=False, page=False)
KEYS = {"Lantern C3.wav": 48, "Lantern F3.wav": 53, "Lantern A#3.wav": 58}


@pytest.fixture
def lantern(tmp_path):
    folder = tmp_path / "lantern"
    for name, key in KEYS.items():
        write_note(folder / name, key)
    return folder


def tree(folder):
    return {
        p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()
    }


def test_what_would_be_written_over_full_scale_is_softer_and_plays_as_loud(
    lantern, tmp_path, monkeypatch
):
    usual = build_instrument(lantern, tmp_path / "usual", settings=ONE)
    softly = plan.common_gain_db
    monkeypatch.setattr(plan, "common_gain_db", lambda *peaks: softly(*peaks) + 5.0)
    loud = build_instrument(lantern, tmp_path / "loud", settings=ONE)
    assert max(note.sample.peak_dbfs for note in loud.notes) == pytest.approx(0.0, abs=0.01)
    for before, after, was, now in zip(
        usual.zones, loud.zones, usual.notes, loud.notes, strict=True
    ):
        played = after.gain_db + now.sample.processing.gain_db
        assert played == pytest.approx(before.gain_db + was.sample.processing.gain_db, abs=0.01)
        assert after.gain_db < 5.0


def test_an_instrument_of_three_notes(lantern, tmp_path):
    out = tmp_path / "out"
    manifest = build_instrument(lantern, out, settings=ONE)
    assert sorted(tree(out)) == [
        "lantern.sfz",
        "manifest.json",
        "samples/lantern_048_C3.wav",
        "samples/lantern_053_F3.wav",
        "samples/lantern_058_As3.wav",
    ]
    assert [(z.low_key, z.root_key, z.high_key) for z in manifest.zones] == [
        (36, 48, 50),
        (51, 53, 55),
        (56, 58, 70),
    ]
    assert all(abs(z.tuning_cents) < 0.02 for z in manifest.zones)
    assert all(z.play_mode == "loop_continuous" and z.loop is not None for z in manifest.zones)
    assert manifest.doubts == ()


def test_every_build_ends_with_a_short_proof(lantern, tmp_path):
    build_instrument(lantern, tmp_path / "out", settings=BuildSettings(workers=1))
    proof = read_proof(tmp_path / "out" / "proof.json")
    played = {note.key for note in proof.notes}
    assert played == {36, 48, 50, 51, 53, 55, 56, 58, 70}
    assert proof.findings == ()
    tuned = [note.tuning_cents for note in proof.notes]
    assert all(cents is not None and abs(cents) < 1 for cents in tuned)


def test_manifest_comes_back_as_it_was_written(lantern, tmp_path):
    manifest = build_instrument(lantern, tmp_path / "out", settings=ONE)
    text = (tmp_path / "out" / "manifest.json").read_text(encoding="utf-8")
    assert read_manifest(text, "manifest.json") == manifest


def test_sfz_smpl_and_manifest_agree_on_every_loop(lantern, tmp_path):
    out = tmp_path / "out"
    manifest = build_instrument(lantern, out, settings=ONE)
    reading = read_sfz(out / "lantern.sfz")
    assert reading.problems == ()
    for region, zone in zip(reading.regions, manifest.zones, strict=True):
        assert zone.loop is not None
        loop = (zone.loop.start_frame, zone.loop.end_frame)
        hints = read_embedded_hints(out / zone.sample)
        assert hints is not None
        assert (region.loop_start_frame, region.loop_end_frame) == loop
        assert (hints.loop_start_frame, hints.loop_end_frame) == loop
        assert (region.pitch_keycenter, hints.root_key) == (zone.root_key, zone.root_key)
        assert (region.lokey, region.hikey) == (zone.low_key, zone.high_key)


def test_what_follows_the_loop_equals_what_follows_its_start(lantern, tmp_path):
    out = tmp_path / "out"
    for zone in build_instrument(lantern, out, settings=ONE).zones:
        samples, _ = soundfile.read(out / zone.sample, dtype="int32", always_2d=True)
        assert zone.loop is not None
        start, end = zone.loop.start_frame, zone.loop.end_frame
        assert start >= RATE // 1000
        assert len(samples) - end >= 64
        assert np.array_equal(samples[end : end + 64], samples[start : start + 64])


def test_heads_are_trimmed_to_the_onset_with_a_millisecond_before_it(tmp_path):
    write_note(tmp_path / "in" / "late C4.wav", 60, lead_seconds=0.3)
    manifest = build_instrument(tmp_path / "in", tmp_path / "out", settings=ONE)
    start = manifest.notes[0].sample.processing.start_frame / RATE
    assert 0.297 <= start <= 0.3


def test_recorded_dynamics_stay_under_one_common_gain(tmp_path):
    folder = tmp_path / "in"
    write_note(folder / "one C3.wav", 48, peak=0.5)
    write_note(folder / "two C4.wav", 60, peak=0.125)
    out = tmp_path / "out"
    manifest = build_instrument(folder, out, settings=ONE)
    peaks = [note.sample.peak_dbfs for note in manifest.notes]
    assert max(peaks) == pytest.approx(-3.0, abs=0.3)
    assert peaks[0] - peaks[1] == pytest.approx(12.04, abs=0.3)


@pytest.mark.parametrize("workers", [2, 3])
def test_same_input_same_bytes_whatever_the_workers(lantern, tmp_path, workers):
    build_instrument(lantern, tmp_path / "one", settings=BuildSettings(workers=1))
    build_instrument(lantern, tmp_path / "many", settings=BuildSettings(workers=workers))
    one, many = tree(tmp_path / "one"), tree(tmp_path / "many")
    assert one == many


def test_the_name_of_the_place_does_not_change_the_bytes(lantern, tmp_path):
    build_instrument(lantern, tmp_path / "one", Recipe(name="L"), ONE)
    elsewhere = tmp_path / "elsewhere" / "copy"
    shutil.copytree(lantern, elsewhere)
    build_instrument(elsewhere, tmp_path / "two", Recipe(name="L"), ONE)
    assert tree(tmp_path / "one") == tree(tmp_path / "two")


def test_sources_are_never_modified(lantern, tmp_path):
    before = {p: (p.read_bytes(), p.stat().st_mtime_ns) for p in lantern.iterdir()}
    build_instrument(lantern, tmp_path / "out", settings=ONE)
    assert before == {p: (p.read_bytes(), p.stat().st_mtime_ns) for p in lantern.iterdir()}


def test_corrections_of_the_recipe_win(lantern, tmp_path):
    recipe = Recipe(
        zones=ZoneSettings(split="upwards", reach_below=0, reach_above=0),
        note=(
            NoteCorrection(file="Lantern C3.wav", root="D3", loop=False, gain_db=-3.0),
            NoteCorrection(file="Lantern F3.wav", loop=(30_000, 40_000)),
            NoteCorrection(file="Lantern A#3.wav", skip=True),
        ),
    )
    manifest = build_instrument(lantern, tmp_path / "out", recipe, ONE)
    corrected, looped = manifest.zones
    assert (corrected.root_key, corrected.low_key, corrected.high_key) == (50, 50, 52)
    assert corrected.tuning_cents == pytest.approx(-200.0, abs=0.01)
    assert (corrected.loop, corrected.gain_db) == (None, -3.0)
    head = manifest.notes[1].sample.processing.start_frame
    assert looped.loop is not None
    assert (looped.loop.start_frame + head, looped.loop.end_frame + head) == (30_000, 40_000)
    assert [skipped.file for skipped in manifest.skipped] == ["Lantern A#3.wav"]


@pytest.mark.parametrize(
    "loop", [(60_000, 80_000), (1, 40_000), (2_400, 40_000), (30_000, 30_001), (30_000, 30_047)]
)
def test_a_loop_that_a_note_cannot_have_stops_the_build(lantern, tmp_path, loop):
    recipe = Recipe(note=(NoteCorrection(file="Lantern F3.wav", loop=loop),))
    words = (
        rf"^Lantern F3\.wav: the recipe's loop \[{loop[0]}, {loop[1]}\] must lie within the "
        r"sounding frames \[24\d\d, 7\d{4}\] and be 48 frames or more; correct it\.$"
    )
    with pytest.raises(UsageError, match=words):
        build_instrument(lantern, tmp_path / "out", recipe, ONE)
    assert [path.name for path in tmp_path.iterdir()] == ["lantern"]


def test_the_range_named_for_a_loop_holds(lantern, tmp_path):
    wrong = Recipe(note=(NoteCorrection(file="Lantern F3.wav", loop=(1, 10**6)),))
    with pytest.raises(UsageError) as told:
        build_instrument(lantern, tmp_path / "out", wrong, ONE)
    first, end = map(int, re.findall(r"\d+", str(told.value).partition("within")[2])[:2])
    for loop in ((first, first + 48), (end - 48, end)):
        recipe = Recipe(note=(NoteCorrection(file="Lantern F3.wav", loop=loop),))
        manifest = build_instrument(lantern, tmp_path / f"{loop[0]}", recipe, ONE)
        assert [zone.loop is not None for zone in manifest.zones] == [True, True, True]


def test_notes_too_short_for_the_loops_asked_for_are_told(lantern, tmp_path):
    write_note(lantern / "Lantern D4.wav", 62, decay_seconds=0.3)
    recipe = Recipe(
        loops=LoopSettings(length_seconds=10.0),
        note=(NoteCorrection(file="Lantern C3.wav", loop=False),),
    )
    manifest = build_instrument(lantern, tmp_path / "out", recipe, ONE)
    assert [(doubt.file, doubt.about) for doubt in manifest.doubts] == [
        ("Lantern A#3.wav", "loop"),
        ("Lantern F3.wav", "loop"),
    ]
    assert manifest.doubts[0].message.startswith("is not looped: no loop of 10 s fits")


def test_a_correction_of_a_file_that_is_not_there_is_refused(lantern, tmp_path):
    recipe = Recipe(note=(NoteCorrection(file="Lantern X.wav"),))
    with pytest.raises(InputError, match=r"corrects 'Lantern X\.wav', which is not there"):
        build_instrument(lantern, tmp_path / "out", recipe, ONE)


def test_written_recipe_gives_the_same_instrument_again(lantern, tmp_path):
    settings = BuildSettings(workers=1, write_recipe=True)
    first = build_instrument(lantern, tmp_path / "one", settings=settings)
    recipe = tmp_path / "one" / "recipe.toml"
    second = build_instrument(lantern, tmp_path / "two", read_recipe(recipe), ONE)
    assert [(z.root_key, z.low_key, z.loop) for z in first.zones] == [
        (z.root_key, z.low_key, z.loop) for z in second.zones
    ]


def test_a_written_recipe_keeps_what_is_stated_and_adds_what_was_found(lantern, tmp_path):
    stated = NoteCorrection(file="Lantern C3.wav", root=50, gain_db=-3.0, loop=(30_000, 40_000))
    skipped = NoteCorrection(file="Lantern F3.wav", skip=True)
    recipe = Recipe(note=(skipped, stated))
    settings = BuildSettings(workers=1, prove=False, page=False, write_recipe=True)
    build_instrument(lantern, tmp_path / "out", recipe, settings)
    written = {note.file: note for note in read_recipe(tmp_path / "out" / "recipe.toml").note}
    assert written.pop("Lantern C3.wav") == stated
    assert written.pop("Lantern F3.wav") == skipped
    found = written.pop("Lantern A#3.wav")
    assert (found.root, isinstance(found.loop, tuple), written) == ("A#3", True, {})


def test_reversed_copies_are_one_note_of_a_written_recipe(lantern, tmp_path):
    recipe = Recipe(layout="one-shots", one_shots=OneShotSettings(reversed_copies=True))
    settings = BuildSettings(workers=1, prove=False, page=False, write_recipe=True)
    build_instrument(lantern, tmp_path / "out", recipe, settings)
    written = read_recipe(tmp_path / "out" / "recipe.toml")
    assert sorted(note.file for note in written.note) == sorted(KEYS)


def test_flac_and_16_bits_and_another_rate_on_request(lantern, tmp_path):
    recipe = Recipe(samples=SampleSettings(format="flac", bits=16, rate=44_100))
    manifest = build_instrument(lantern, tmp_path / "out", recipe, ONE)
    for zone, record in zip(manifest.zones, manifest.notes, strict=True):
        info = soundfile.info(tmp_path / "out" / zone.sample)
        assert (info.format, info.subtype, info.samplerate) == ("FLAC", "PCM_16", 44_100)
        assert record.sample.processing.dithered
        assert zone.loop is not None
        assert record.sample.join is not None
        assert record.sample.join.worst_db < 0


def test_velocity_layers_and_round_robins_from_names(tmp_path):
    folder = tmp_path / "in"
    for key, name in ((48, "C3"), (55, "G3")):
        for velocity, peak in ((40, 0.1), (110, 0.5)):
            for turn in (1, 2):
                path = folder / f"buoy_{name}_v{velocity}_rr{turn}.wav"
                write_note(path, key, peak=peak, decay_seconds=0.3, phase=float(turn))
    zones = build_instrument(folder, tmp_path / "out", settings=ONE).zones
    assert len(zones) == 8
    assert {(z.low_velocity, z.high_velocity) for z in zones} == {(1, 75), (76, 127)}
    assert sorted({(z.round_robin, z.round_robins) for z in zones}) == [(1, 2), (2, 2)]
    assert all(zone.play_mode == "no_loop" for zone in zones)


def test_layers_come_from_levels_when_names_say_nothing(tmp_path):
    folder = tmp_path / "in"
    for index, (key, peak) in enumerate([(48, 0.1), (48, 0.5), (60, 0.1), (60, 0.5)]):
        write_note(folder / f"{'abcd'[index]}.wav", key, peak=peak)
    zones = build_instrument(folder, tmp_path / "out", settings=ONE).zones
    assert {(z.low_velocity, z.high_velocity) for z in zones} == {(1, 64), (65, 127)}


def test_a_name_that_contradicts_the_sound_is_reported_and_the_sound_wins(tmp_path):
    folder = tmp_path / "in"
    for name, key in {**KEYS, "Lantern C4.wav": 64}.items():
        write_note(folder / name, key)
    manifest = build_instrument(folder, tmp_path / "out", settings=ONE)
    assert [z.root_key for z in manifest.zones] == [48, 53, 58, 64]
    assert [(d.file, d.about) for d in manifest.doubts] == [("Lantern C4.wav", "name")]


def test_equal_sides_are_folded_to_one(tmp_path):
    folder = tmp_path / "in"
    folder.mkdir()
    soundfile.write(folder / "C4.wav", np.repeat(note(261.63), 2, axis=1), RATE, subtype="PCM_24")
    manifest = build_instrument(folder, tmp_path / "out", settings=ONE)
    assert manifest.notes[0].sample.channels == 1
    assert manifest.notes[0].sample.processing.channel == "left"


def test_one_shots_have_a_key_each_and_play_to_their_end(tmp_path):
    folder = tmp_path / "in"
    folder.mkdir()
    rng = np.random.default_rng(1)
    for name in ("clank", "thud", "wash"):
        hit = rng.normal(0, 0.2, (RATE // 2, 1)) * np.exp(-np.arange(RATE // 2) / 4000)[:, None]
        soundfile.write(folder / f"{name}.wav", hit, RATE, subtype="PCM_24")
    manifest = build_instrument(folder, tmp_path / "out", settings=ONE)
    assert manifest.layers[0].layout == "one-shots"
    assert [(z.low_key, z.high_key, z.root_key) for z in manifest.zones] == [
        (36, 36, 36),
        (37, 37, 37),
        (38, 38, 38),
    ]
    assert {zone.play_mode for zone in manifest.zones} == {"one_shot"}


def test_effects_without_a_pitch_are_laid_as_one_shots_and_that_is_said(tmp_path):
    folder = tmp_path / "in"
    folder.mkdir()
    for number in range(2):
        noise = np.random.default_rng(number).normal(0, 0.1, (2 * RATE, 1))
        soundfile.write(folder / f"wash{number}.wav", noise, RATE, subtype="PCM_24")
    manifest = build_instrument(folder, tmp_path / "out", settings=ONE)
    assert [(z.low_key, z.play_mode) for z in manifest.zones] == [
        (36, "one_shot"),
        (37, "one_shot"),
    ]
    assert any("laid as one-shots" in remark for remark in manifest.layers[0].remarks)
    with pytest.raises(InputError, match='layout = "one-shots"'):
        build_instrument(folder, tmp_path / "keys", Recipe(layout="keys"), ONE)


def test_no_volume_and_no_note_is_louder_than_it_may_be(tmp_path):
    folder = tmp_path / "in"
    for key in (48, 55):
        write_note(folder / f"{key} v020.wav", key, peak=0.004)
        write_note(folder / f"{key} v100.wav", key, peak=0.5)
    settings = BuildSettings(workers=1, page=False)
    manifest = build_instrument(folder, tmp_path / "out", settings=settings)
    found = read_sfz(next((tmp_path / "out").glob("*.sfz"))).regions
    assert max(region.volume_db for region in found) == pytest.approx(6.0)
    proof = read_proof(tmp_path / "out" / "proof.json")
    loudest = max(one.peak_dbfs for one in proof.notes if one.velocity == 127)
    assert loudest == pytest.approx(-3.0, abs=0.6)  # the low-pass moves the peaks of the wave
    levels = {zone.sample: zone.gain_db for zone in manifest.zones}
    played = [note.sample.processing.gain_db + levels[note.sample.file] for note in manifest.notes]
    assert np.ptp(played) < 1e-9


def test_noises_lie_by_the_roots_stored_in_their_files(tmp_path):
    (tmp_path / "in").mkdir()
    for number, root in enumerate((48, 72)):
        noise = np.random.default_rng(number).normal(0, 0.1, (2 * RATE, 1))
        chunks = SampleChunks(
            root_key=root,
            tuning_cents=0.0,
            loop=None,
            low_key=0,
            high_key=127,
            low_velocity=1,
            high_velocity=127,
            info={},
        )
        pcm = quantised(noise, 24, dither=False)
        write_wav(tmp_path / "in" / f"wind{number}.wav", pcm, RATE, 24, chunks)
    manifest = build_instrument(tmp_path / "in", tmp_path / "out", settings=ONE)
    assert [(zone.root_key, zone.low_key) for zone in manifest.zones] == [(48, 36), (72, 61)]
    assert {note.decision.decided_by for note in manifest.notes} == {"file"}


@pytest.mark.parametrize("place", ["inside", "same", "around"])
def test_a_result_may_not_mix_with_the_recordings(lantern, place):
    target = {"inside": lantern / "out", "same": lantern, "around": lantern.parent}[place]
    with pytest.raises(OutputError, match="choose another folder"):
        build_instrument(lantern, target, settings=BuildSettings(workers=1, replace=True))
    assert sorted(p.name for p in lantern.iterdir()) == sorted(KEYS)


def test_only_an_earlier_build_is_replaced(lantern, tmp_path):
    again = BuildSettings(workers=1, replace=True)
    build_instrument(lantern, tmp_path / "out", Recipe(name="Old Name"), again)
    build_instrument(lantern, tmp_path / "out", Recipe(name="New Name"), again)
    assert [p.name for p in (tmp_path / "out").glob("*.sfz")] == ["New_Name.sfz"]
    (tmp_path / "out" / "samples" / "mine.wav").write_text("precious")
    with pytest.raises(OutputError, match=r"holds samples/mine\.wav, which is no part of"):
        build_instrument(lantern, tmp_path / "out", settings=again)
    assert (tmp_path / "out" / "samples" / "mine.wav").read_text() == "precious"


def test_a_build_of_another_version_is_replaced(lantern, tmp_path):
    build_instrument(lantern, tmp_path / "out", settings=ONE)
    path = tmp_path / "out" / "manifest.json"
    manifest = json.loads(path.read_text("utf-8"))
    del manifest["zones"], manifest["layers"]
    path.write_text(json.dumps({**manifest, "format_version": 0}))
    build_instrument(lantern, tmp_path / "out", settings=BuildSettings(workers=1, replace=True))
    assert "zones" in json.loads(path.read_text("utf-8"))


@pytest.mark.parametrize("text", ["{}", '{"format": "another", "name": "x", "notes": []}', "no"])
def test_a_manifest_of_somebody_else_is_no_earlier_build(lantern, tmp_path, text):
    path = tmp_path / "out" / "manifest.json"
    path.parent.mkdir()
    path.write_text(text)
    with pytest.raises(OutputError, match=r"holds manifest\.json, which is no part of"):
        build_instrument(lantern, path.parent, settings=BuildSettings(workers=1, replace=True))
    assert path.read_text() == text


def test_a_recipe_beside_the_instrument_is_never_lost(lantern, tmp_path):
    settings = BuildSettings(workers=1, prove=False, page=False, replace=True, write_recipe=True)
    build_instrument(lantern, tmp_path / "out", settings=settings)
    recipe = tmp_path / "out" / "recipe.toml"
    recipe.write_text("# corrected by hand\n")
    build_instrument(lantern, tmp_path / "out", settings=settings)
    assert recipe.read_text() == "# corrected by hand\n"


def test_silence_only_is_one_line(tmp_path):
    folder = tmp_path / "in"
    folder.mkdir()
    soundfile.write(folder / "a.wav", np.zeros((RATE, 2)), RATE, subtype="PCM_24")
    with pytest.raises(InputError, match=r"no recording in it can be used .*a\.wav: is silent"):
        build_instrument(folder, tmp_path / "out", settings=ONE)
    assert not (tmp_path / "out").exists()


def test_no_space_left_leaves_the_last_good_result(lantern, tmp_path, monkeypatch):
    out = tmp_path / "out"
    build_instrument(lantern, out, settings=ONE)
    before = tree(out)

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("keymapper.exporting.sample.write_wav", full)
    with pytest.raises(OutputError, match="No space left on device"):
        build_instrument(lantern, out, settings=BuildSettings(workers=1, replace=True))
    assert tree(out) == before
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith(".")] == []


def _heed_signals():
    """A background job may have been started deaf to Ctrl-C; its children would be too."""
    for one in (signal.SIGINT, signal.SIGHUP, signal.SIGTERM):
        signal.signal(one, signal.SIG_DFL)


def _workers_of(parent):
    """Return the processes that a process started."""
    return [
        int(child) for child in Path(f"/proc/{parent}/task/{parent}/children").read_text().split()
    ]


def _is_running(process):
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False


def _in_time(condition, seconds=60.0):
    deadline = time.monotonic() + seconds
    while not condition() and time.monotonic() < deadline:
        time.sleep(0.01)
    return condition()


@pytest.mark.parametrize(
    ("how", "code", "to_all"),
    [
        (signal.SIGINT, 130, True),
        (signal.SIGTERM, 143, True),
        (signal.SIGTERM, 143, False),
        (signal.SIGHUP, 129, False),
        (signal.SIGKILL, -signal.SIGKILL, False),
    ],
)
def test_an_interrupted_rebuild_leaves_the_last_good_result(lantern, tmp_path, how, code, to_all):
    out = tmp_path / "out"
    build_instrument(lantern, out, settings=ONE)
    before = tree(out)
    for index in range(12):
        write_note(lantern / f"more {index} C4.wav", 60, seconds=3.0)
    command = ["build", lantern, "--out", out, "--force", "--workers", "2"]
    process = subprocess.Popen(
        [sys.executable, "-m", "keymapper", *map(str, command)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        preexec_fn=_heed_signals,
    )
    assert _in_time(
        lambda: list(tmp_path.glob(".out.*.partial")) and len(_workers_of(process.pid)) == 2
    )
    workers = _workers_of(process.pid)
    (os.killpg if to_all else os.kill)(process.pid, how)
    errors = process.communicate()[1]
    assert (process.returncode, tree(out)) == (code, before), errors
    assert _in_time(lambda: not any(map(_is_running, workers)))
    if how != signal.SIGKILL:
        assert errors == "keymapper: interrupted; nothing was changed.\n"
        assert not list(tmp_path.glob(".out.*.partial"))


@pytest.mark.parametrize("workers", ["1", "2"])
def test_a_full_disk_leaves_nothing_behind_and_names_the_place(lantern, tmp_path, workers):
    def little_room():
        resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))

    out = tmp_path / "out"
    command = ["build", lantern, "--out", out, "--workers", workers]
    result = subprocess.run(
        [sys.executable, "-m", "keymapper", *map(str, command)],
        capture_output=True,
        text=True,
        preexec_fn=little_room,
        check=False,
    )
    assert result.returncode == 5
    assert result.stderr.startswith(f"keymapper: {out}/samples/lantern_")
    assert result.stderr.endswith(": cannot be written (File too large).\n")
    assert [path.name for path in tmp_path.iterdir()] == ["lantern"]


def test_json_of_the_manifest_is_strict(lantern, tmp_path):
    build_instrument(lantern, tmp_path / "out", settings=ONE)

    def refuse(text):
        raise AssertionError(text)

    json.loads((tmp_path / "out" / "manifest.json").read_text(), parse_constant=refuse)
