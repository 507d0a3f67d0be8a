"""A looped copy differs in the frames given and in `smpl`, and in no other byte."""

import struct

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from keymapper.formats.wav_chunks import read_chunk, read_embedded_hints, read_wav_layout
from keymapper.formats.wav_loop import (
    ENCODINGS,
    encoded_frames,
    smpl_body_of,
    smpl_with_loop,
    write_wav_copy,
)
from keymapper.model.loop import Loop

HEAD = struct.pack("<7I", 1, 2, 22675, 61, 77, 3, 4)


def smpl(loops=0, behind=b""):
    body = HEAD + struct.pack("<2I", loops, len(behind))
    return body + struct.pack("<6I", 9, 0, 10, 19, 0, 0) * loops + behind


@pytest.mark.parametrize("encoding", ENCODINGS)
def test_frames_that_were_read_are_written_as_they_were(tmp_path, encoding):
    path = tmp_path / "note.wav"
    noise = np.random.default_rng(3).uniform(-1, 1, (500, 2))
    soundfile.write(path, noise, 44100, subtype=encoding)
    samples = soundfile.read(path, always_2d=True)[0]
    place = next(c for c in read_wav_layout(path).chunks if c.id == "data")
    assert encoded_frames(samples, encoding) == read_chunk(path, place)


def test_what_is_too_loud_clips():
    loud = np.array([[1.5], [-1.5]])
    assert np.frombuffer(encoded_frames(loud, "PCM_16"), "<i2").tolist() == [32767, -32768]


@given(
    loops=st.integers(0, 3),
    behind=st.binary(max_size=9),
    start=st.integers(0, 2**31),
    length=st.integers(1, 2**20),
)
def test_one_loop_takes_the_place_of_all(loops, behind, start, length):
    body = smpl_with_loop(smpl(loops, behind), Loop(start_frame=start, end_frame=start + length))
    assert body[:28] == HEAD
    assert struct.unpack("<2I", body[28:36]) == (1, len(behind))
    assert struct.unpack("<6I", body[36:60]) == (0, 0, start, start + length - 1, 0, 0)
    assert body[60:] == behind


def test_the_copy_keeps_every_other_byte(tmp_path):
    source, target = tmp_path / "note.wav", tmp_path / "copy.wav"
    noise = np.random.default_rng(4).uniform(-0.9, 0.9, (400, 1))
    soundfile.write(source, noise, 44100, subtype="PCM_16")
    whole = source.read_bytes()
    odd = b"bext" + struct.pack("<I", 5) + b"harb!\0" + b"smpl" + struct.pack("<I", 60) + smpl(1)
    whole += odd
    source.write_bytes(whole[:4] + struct.pack("<I", len(whole) - 8) + whole[8:])
    before = source.read_bytes()
    frames = encoded_frames(np.zeros((10, 1)), "PCM_16")
    write_wav_copy(
        source,
        target,
        100,
        frames,
        smpl_with_loop(smpl_body_of(source), Loop(start_frame=20, end_frame=110)),
    )
    assert source.read_bytes() == before
    samples, copied = (soundfile.read(p, dtype="int16")[0] for p in (source, target))
    assert not copied[100:110].any()
    assert np.array_equal(np.delete(samples, slice(100, 110)), np.delete(copied, slice(100, 110)))
    hints = read_embedded_hints(target)
    assert (hints.root_key, hints.loop_start_frame, hints.loop_end_frame) == (61, 20, 110)
    kept = {c.id: read_chunk(target, c) for c in read_wav_layout(target).chunks}
    assert kept["bext"] == b"harb!"
    assert sorted(kept) == ["bext", "data", "fmt ", "smpl"]


def test_half_a_smpl_chunk_counts_as_none(tmp_path):
    path = tmp_path / "note.wav"
    soundfile.write(path, np.zeros(10), 44100, subtype="PCM_16")
    assert smpl_body_of(path) is None
    whole = path.read_bytes() + b"smpl" + struct.pack("<I", 8) + bytes(8)
    path.write_bytes(whole)
    assert smpl_body_of(path) is None
