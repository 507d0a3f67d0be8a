"""`keymapper loop`: copies that loop, and nothing else changed."""

import json

import numpy as np
import pytest
import soundfile

from keymapper.formats.wav_chunks import read_chunk, read_embedded_hints, read_wav_layout
from keymapper.measuring.loops import GUARD_FRAMES
from tests.cli.test_commands import keymapper
from tests.moving_notes import moving_note

SUBTYPES = {"two_oscillators": "PCM_16", "vibrato": "PCM_24", "pulse_modulation": "FLOAT"}


@pytest.fixture(scope="module")
def notes(tmp_path_factory):
    folder = tmp_path_factory.mktemp("notes")
    for kind, subtype in [*SUBTYPES.items(), ("plucked", "PCM_16")]:
        note = moving_note(kind, 4)
        soundfile.write(folder / f"{kind}.wav", note.samples, note.rate, subtype=subtype)
    return folder


@pytest.fixture(scope="module")
def looped(notes):
    out = notes / "copies"
    return out, keymapper("loop", *sorted(notes.glob("*.wav")), "--out", out)


def test_it_tells_what_it_did(looped):
    _, result = looped
    assert result.returncode == 0, result.stderr
    assert "3 looped, " in result.stdout
    assert "1 copied as they are, 0 skipped." in result.stdout
    assert "no loop: it decays" in result.stdout


@pytest.mark.parametrize("kind", SUBTYPES)
def test_only_the_crossfade_and_the_frames_after_the_end_differ(notes, looped, kind):
    before, rate = soundfile.read(notes / f"{kind}.wav", always_2d=True)
    after, _ = soundfile.read(looped[0] / f"{kind}.wav", always_2d=True)
    hints = read_embedded_hints(looped[0] / f"{kind}.wav")
    start, end = hints.loop_start_frame, hints.loop_end_frame
    assert len(before) == len(after)
    changed = np.flatnonzero((before != after).any(axis=1))
    assert changed.min() >= end - 0.25 * rate - 1
    assert changed.max() < end + GUARD_FRAMES + 0.03 * rate + 1
    assert np.array_equal(after[end : end + 64], after[start : start + 64])
    lead = round(0.001 * rate) - 1
    assert np.array_equal(after[end - lead : end], after[start - lead : start])


@pytest.mark.parametrize("kind", SUBTYPES)
def test_every_other_chunk_is_kept(notes, looped, kind):
    source, copy = notes / f"{kind}.wav", looped[0] / f"{kind}.wav"
    chunks = [
        {c.id: read_chunk(path, c) for c in read_wav_layout(path).chunks if c.id != "data"}
        for path in (source, copy)
    ]
    assert chunks[0] == {name: body for name, body in chunks[1].items() if name != "smpl"}


def test_a_decaying_note_is_copied_as_it_is(notes, looped):
    assert (looped[0] / "plucked.wav").read_bytes() == (notes / "plucked.wav").read_bytes()


def test_the_same_bytes_with_any_number_of_workers(notes, looped, tmp_path):
    keymapper("loop", *sorted(notes.glob("*.wav")), "--out", tmp_path / "o", "--workers", "1")
    for path in looped[0].iterdir():
        assert path.read_bytes() == (tmp_path / "o" / path.name).read_bytes()


def test_one_bad_file_never_sinks_the_others(notes, tmp_path):
    (tmp_path / "bad.wav").write_bytes(b"no audio at all")
    soundfile.write(tmp_path / "note.flac", np.zeros((100, 1)), 44100)
    arguments = [notes / "vibrato.wav", tmp_path / "bad.wav", tmp_path / "note.flac"]
    result = keymapper("loop", *arguments, "--out", tmp_path / "o", "--json")
    assert result.returncode == 0
    data = json.loads(result.stdout)
    assert [one["file"] for one in data["looped"]] == ["vibrato.wav"]
    assert len(data["skipped"]) == 2
    assert "convert it" in result.stderr
    assert sorted(p.name for p in (tmp_path / "o").iterdir()) == ["vibrato.wav"]


def test_nothing_to_loop_is_an_error_of_one_line(tmp_path):
    (tmp_path / "bad.wav").write_bytes(b"no audio at all")
    result = keymapper("loop", tmp_path / "bad.wav", "--out", tmp_path / "o")
    assert result.returncode == 3
    assert result.stderr.count("\n") == 1
    assert not (tmp_path / "o").exists()


def test_two_files_of_one_name_are_refused(notes, tmp_path):
    twin = tmp_path / "VIBRATO.wav"
    twin.write_bytes((notes / "vibrato.wav").read_bytes())
    result = keymapper("loop", notes / "vibrato.wav", twin, "--out", tmp_path / "o")
    assert result.returncode == 2
    assert "two folders" in result.stderr


def test_a_folder_is_refused(notes, tmp_path):
    result = keymapper("loop", notes, "--out", tmp_path / "o")
    assert result.returncode == 2
    assert "name the WAV files in it" in result.stderr


def test_an_existing_result_stays(notes, looped):
    again = keymapper("loop", notes / "vibrato.wav", "--out", looped[0])
    assert again.returncode == 5
    assert "--force" in again.stderr
    assert len(list(looped[0].iterdir())) == 4


def test_the_folder_of_the_sources_is_never_replaced(notes, tmp_path):
    source = tmp_path / "in" / "vibrato.wav"
    source.parent.mkdir()
    source.write_bytes((notes / "vibrato.wav").read_bytes())
    before = source.read_bytes()
    for out in (tmp_path / "in", tmp_path):
        result = keymapper("loop", source, "--out", out, "--force")
        assert result.returncode == 5
        assert "choose another folder" in result.stderr
        assert source.read_bytes() == before


def test_only_earlier_copies_are_replaced(notes, tmp_path):
    out = tmp_path / "o"
    arguments = ["loop", notes / "vibrato.wav", "--out", out]
    assert keymapper(*arguments).returncode == 0
    assert keymapper(*arguments, "--force").returncode == 0
    (out / "other.wav").write_bytes(b"mine")
    result = keymapper(*arguments, "--force")
    assert result.returncode == 5
    assert "holds other.wav, which is no part of an earlier result" in result.stderr
    assert (out / "other.wav").read_bytes() == b"mine"


def test_a_length_asked_for(notes, tmp_path):
    arguments = ["--out", tmp_path / "o", "--seconds", "0.8", "--json"]
    result = keymapper("loop", notes / "two_oscillators.wav", *arguments)
    loop = json.loads(result.stdout)["looped"][0]["verdict"]["loop"]
    assert (loop["end_frame"] - loop["start_frame"]) / 44100 == pytest.approx(0.8, abs=0.03)
