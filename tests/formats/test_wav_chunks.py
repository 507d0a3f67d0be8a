import struct

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from keymapper.errors import InputError
from keymapper.formats.wav_chunks import (
    SampleChunks,
    pcm_bytes,
    read_embedded_hints,
    read_wav_layout,
    smpl_loop_remarks,
    write_wav,
)
from keymapper.model.loop import Loop


def chunks(**changes):
    usual = {
        "root_key": 60,
        "tuning_cents": 12.0,
        "loop": Loop(start_frame=1000, end_frame=2000),
        "low_key": 58,
        "high_key": 62,
        "low_velocity": 1,
        "high_velocity": 127,
        "info": {"INAM": "Quay Bass C4", "ISFT": "keymapper"},
    }
    return SampleChunks(**(usual | changes))


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("frames", [3001, 3000])
def test_audio_comes_back_bit_for_bit(tmp_path, bits, channels, frames):
    limit = 2 ** (bits - 1)
    pcm = np.random.default_rng(1).integers(-limit, limit, (frames, channels)).astype(np.int32)
    path = tmp_path / "a.wav"
    write_wav(path, pcm, 48_000, bits, chunks())
    read, rate = soundfile.read(path, dtype="int32", always_2d=True)
    assert rate == 48_000
    assert np.array_equal(read >> (32 - bits), pcm)
    layout = read_wav_layout(path)
    assert [place.id for place in layout.chunks] == ["fmt ", "smpl", "inst", "LIST", "data"]
    assert layout.data_bytes == layout.data_bytes_present == frames * channels * bits // 8


@given(
    root_key=st.integers(0, 127),
    tuning_cents=st.floats(0, 49.9),
    start=st.integers(1, 10_000),
    length=st.integers(1, 10_000),
    keys=st.tuples(st.integers(0, 127), st.integers(0, 127)),
)
def test_hints_come_back_as_written(tmp_path_factory, root_key, tuning_cents, start, length, keys):
    path = tmp_path_factory.getbasetemp() / "hints.wav"
    written = chunks(
        root_key=root_key,
        tuning_cents=tuning_cents,
        loop=Loop(start_frame=start, end_frame=start + length),
        low_key=keys[0],
        high_key=keys[1],
    )
    write_wav(path, np.zeros((20, 1), dtype=np.int32), 44_100, 16, written)
    hints = read_embedded_hints(path)
    assert hints is not None
    assert (hints.root_key, hints.low_key, hints.high_key) == (root_key, *keys)
    assert hints.tuning_cents == pytest.approx(tuning_cents, abs=1e-6)
    assert (hints.loop_start_frame, hints.loop_end_frame) == (start, start + length)


def test_the_loop_end_in_the_file_is_the_last_frame_played(tmp_path):
    path = tmp_path / "a.wav"
    write_wav(
        path,
        np.zeros((3000, 1), dtype=np.int32),
        48_000,
        24,
        chunks(loop=Loop(start_frame=1000, end_frame=2000)),
    )
    with soundfile.SoundFile(path) as file:
        report = file.extra_info
    assert "Start :   1000  End :   1999" in " ".join(report.split(" ")) or "1999" in report


def test_flat_notes_keep_the_nearest_unity_note(tmp_path):
    path = tmp_path / "a.wav"
    write_wav(path, np.zeros((10, 1), dtype=np.int32), 48_000, 24, chunks(tuning_cents=-25.0))
    hints = read_embedded_hints(path)
    assert hints is not None
    assert (hints.root_key, hints.tuning_cents) == (60, 0.0)


def test_a_foreign_file_is_refused(tmp_path):
    path = tmp_path / "a.wav"
    path.write_bytes(b"something else entirely")
    with pytest.raises(InputError, match="not a WAV file"):
        read_wav_layout(path)
    assert read_embedded_hints(path) is None


@given(st.binary(max_size=300))
def test_damaged_files_never_do_worse_than_an_input_error(tmp_path_factory, tail):
    path = tmp_path_factory.getbasetemp() / "damaged.wav"
    path.write_bytes(b"RIFF\x00\x00\x00\x00WAVE" + tail)
    read_wav_layout(path)
    read_embedded_hints(path)


def test_24_bit_bytes_are_little_endian():
    assert pcm_bytes(np.array([[1], [-2]]), 24) == b"\x01\x00\x00\xfe\xff\xff"


@given(st.lists(st.integers(-(2**23), 2**23 - 1), max_size=23))
def test_24_bit_bytes_are_those_of_each_value(values):
    expected = b"".join(value.to_bytes(3, "little", signed=True) for value in values)
    assert pcm_bytes(np.array(values, dtype=np.int32).reshape(-1, 1), 24) == expected


@pytest.mark.parametrize(
    ("promised", "kind", "rounds", "remarks"),
    [
        (1, 0, 0, []),
        (1, 1, 0, ["back and forth"]),
        (1, 2, 3, ["backward", "3 times"]),
        (5, 0, 0, ["promises 5 loops and holds 1"]),
        (0, 1, 3, []),
    ],
)
def test_what_few_players_do_with_a_loop_is_told(promised, kind, rounds, remarks):
    loop = struct.pack("<6I", 0, kind, 100, 200, 0, rounds)
    body = struct.pack("<9I", 0, 0, 20_833, 60, 0, 0, 0, promised, 0) + loop
    told = smpl_loop_remarks(body)
    assert len(told) == len(remarks)
    assert all(part in one for part, one in zip(remarks, told, strict=True))
    assert smpl_loop_remarks(body[:20]) == []
