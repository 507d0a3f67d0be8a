"""Takes on disk: read in blocks, copied bit for bit, damaged in every way."""

import struct

import numpy as np
import pytest
import soundfile

from keymapper.errors import InputError
from keymapper.formats.take_file import TakeFile

RATE = 48_000


def noise(frames, channels, seed=1):
    return np.random.default_rng(seed).uniform(-0.9, 0.9, (frames, channels))


def written(path, kind, subtype, channels=2, frames=5000):
    soundfile.write(path, noise(frames, channels), RATE, subtype=subtype, format=kind)
    return path


def pcm(path):
    dtype = {"FLOAT": "float32", "DOUBLE": "float64"}.get(soundfile.info(path).subtype, "int32")
    return soundfile.read(path, dtype=dtype, always_2d=True)[0]


@pytest.mark.parametrize(
    ("kind", "subtype"),
    [
        ("WAV", "PCM_16"), ("WAV", "PCM_24"), ("WAV", "PCM_32"), ("WAV", "FLOAT"),
        ("WAV", "DOUBLE"), ("WAV", "PCM_U8"), ("WAVEX", "PCM_24"), ("RF64", "PCM_24"),
        ("AIFF", "PCM_S8"), ("AIFF", "PCM_16"), ("AIFF", "PCM_24"), ("AIFF", "PCM_32"),
        ("AIFF", "FLOAT"), ("FLAC", "PCM_16"), ("FLAC", "PCM_24"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("channels", [1, 2, 3])
def test_a_copy_has_the_same_samples_rate_depth_and_channels(tmp_path, kind, subtype, channels):
    path = written(tmp_path / "take", kind, subtype, channels)
    with TakeFile(path) as take:
        copy = tmp_path / f"copy{take.suffix}"
        take.copy_range(1001, 3000, copy)
        take.copy_range(1001, 3000, tmp_path / "again")
    assert np.array_equal(pcm(copy), pcm(path)[1001:3000])
    info, source = soundfile.info(copy), soundfile.info(path)
    assert (info.samplerate, info.channels) == (source.samplerate, source.channels)
    assert info.subtype.replace("U8", "S8") == source.subtype.replace("U8", "S8")
    assert (tmp_path / "again").read_bytes() == copy.read_bytes()


def test_blocks_and_ranges_are_those_of_the_file(tmp_path):
    path = written(tmp_path / "take.wav", "WAV", "PCM_24")
    whole = soundfile.read(path, dtype="float32", always_2d=True)[0]
    with TakeFile(path) as take:
        blocks = list(take.blocks(1200))
        assert [len(block) for block in blocks] == [1200] * 4 + [200]
        assert np.array_equal(np.concatenate(blocks), whole)
        assert np.array_equal(take.read(100, 200), whole[100:200])
        assert np.array_equal(take.read(-50, 20), whole[:20])
        assert len(take.read(4990, 9999)) == 10
        assert len(take.read(6000, 7000)) == 0
        assert take.missing_frames == 0


@pytest.mark.parametrize("kind", ["WAV", "WAVEX", "RF64", "AIFF"])
def test_a_truncated_wav_or_aiff_gives_what_is_there(tmp_path, kind):
    path = written(tmp_path / "take", kind, "PCM_24")
    with TakeFile(path) as take:
        assert take.missing_frames == 0
    whole = pcm(path)
    path.write_bytes(path.read_bytes()[: -6 * 1000])
    with TakeFile(path) as take:
        assert sum(len(block) for block in take.blocks(1024)) == 4000
        assert (take.frames, take.missing_frames) == (4000, 1000)
        take.copy_range(3000, 4000, tmp_path / "copy.wav")
    assert np.array_equal(pcm(tmp_path / "copy.wav"), whole[3000:4000])


@pytest.mark.parametrize("block_frames", [1024, 100_000])
def test_a_truncated_flac_gives_what_is_there(tmp_path, block_frames):
    path = written(tmp_path / "take.flac", "FLAC", "PCM_24", frames=40_000)
    with TakeFile(path) as take:
        whole = take.read(0, 40_000)
    path.write_bytes(path.read_bytes()[:100_000])
    with TakeFile(path) as take:
        blocks = list(take.blocks(block_frames))
        there = sum(len(block) for block in blocks)
        assert 14_000 < there < 40_000
        assert take.frames == there
        assert take.missing_frames == 40_000 - there
        assert np.array_equal(np.concatenate(blocks), whole[:there])
        assert np.array_equal(take.read(100, there + 9), whole[100:there])


@pytest.mark.parametrize("size", [0, 0xFFFFFFFF, 0x7FFFFFFF])
def test_a_header_that_was_never_finished_is_read_to_the_end_of_the_file(tmp_path, size):
    path = written(tmp_path / "take.wav", "WAV", "PCM_16")
    content = bytearray(path.read_bytes())
    at = content.index(b"data") + 4
    content[at : at + 4] = struct.pack("<I", size)
    content[4:8] = struct.pack("<I", 0 if size == 0 else 0xFFFFFFFF)
    path.write_bytes(content)
    with TakeFile(path) as take:
        assert (take.frames, take.missing_frames) == (5000, 0)
        assert sum(len(block) for block in take.blocks(1024)) == 5000
        take.copy_range(4000, 5000, tmp_path / "copy.wav")
    assert len(pcm(tmp_path / "copy.wav")) == 1000


def second_recording(path):
    other = path.parent / "other.wav"
    written(other, "WAV", "PCM_16", channels=1)
    path.write_bytes(path.read_bytes() + other.read_bytes())


def second_flac(path):
    other = path.parent / "other.flac"
    written(path, "FLAC", "PCM_24", channels=2, frames=100_000)
    written(other, "FLAC", "PCM_24", channels=1)
    path.write_bytes(path.read_bytes() + other.read_bytes())


def not_a_number(path):
    samples = noise(500, 1).astype("float32")
    samples[17] = np.nan
    soundfile.write(path, samples, RATE, subtype="FLOAT", format="WAV")


@pytest.mark.parametrize(
    ("spoil", "reason"),
    [
        (lambda p: p.write_bytes(b""), "the file is empty"),
        (lambda p: p.write_bytes(b"no audio at all"), "not readable as audio"),
        (lambda p: p.unlink(), "cannot be read"),
        (second_recording, "a second recording begins at byte"),
        (second_flac, "a second recording begins at byte"),
        (lambda p: written(p, "WAV", "ULAW"), "cannot be cut without loss"),
        (lambda p: written(p, "OGG", "VORBIS"), "cannot be cut without loss"),
        (lambda p: written(p, "WAV", "PCM_16", frames=0), "holds no sound"),
        (lambda p: written(p, "WAV", "PCM_16", channels=33), "has 33 channels"),
        (not_a_number, "samples that are not numbers"),
    ],
)
def test_what_cannot_be_used_is_refused_in_one_line(tmp_path, spoil, reason):
    path = written(tmp_path / "take.wav", "WAV", "PCM_24")
    spoil(path)
    with pytest.raises(InputError, match=reason) as caught, TakeFile(path) as take:
        list(take.blocks(1000))
    assert "\n" not in str(caught.value)


def test_a_flac_of_unknown_length_is_refused_in_one_line(tmp_path):
    path = tmp_path / "streamed.flac"
    soundfile.write(path, np.zeros((48_000, 2)), 48_000, subtype="PCM_24")
    content = bytearray(path.read_bytes())
    content[21] &= 0xF0  # 36 bits of STREAMINFO count the frames
    content[22:26] = bytes(4)
    path.write_bytes(content)
    with pytest.raises(InputError, match=r"does not say how long it is, .* convert it to WAV\.$"):
        TakeFile(path)
