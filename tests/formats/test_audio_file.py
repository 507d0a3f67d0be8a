"""What is known of an audio file by its header, and what only decoding can tell."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from keymapper.errors import InputError
from keymapper.formats.audio_file import read_audio, read_audio_info, usable_audio_info
from keymapper.formats.take_file import TakeFile

RATE = 8000


def written(path: Path, samples: np.ndarray, subtype: str) -> Path:
    soundfile.write(path, samples, RATE, subtype=subtype)
    return path


def test_a_file_of_whole_numbers_is_known_by_its_header(tmp_path: Path) -> None:
    path = written(tmp_path / "a.wav", np.zeros((100, 2)), "PCM_24")
    info = usable_audio_info(path)
    assert (info.rate, info.channels, info.frames) == (RATE, 2, 100)


@pytest.mark.parametrize("frames", [0, 100])
def test_what_cannot_be_used_is_found_out(tmp_path: Path, frames: int) -> None:
    samples = np.full((frames, 1), np.nan)
    with pytest.raises(InputError):
        usable_audio_info(written(tmp_path / "a.wav", samples, "FLOAT"))


@pytest.mark.parametrize("rate", [1, 999, 655_351, 755_022_720])
def test_a_rate_nobody_records_at_is_refused(tmp_path: Path, rate: int) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, np.zeros((100, 1)), rate, subtype="PCM_16")
    for opened in (read_audio, read_audio_info, TakeFile):
        with pytest.raises(InputError, match=f"rate of {rate} Hz"):
            opened(path)


def test_three_channels_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="3 channels"):
        usable_audio_info(written(tmp_path / "a.wav", np.zeros((100, 3)), "PCM_16"))


def test_a_broken_compressed_file_is_found_out(tmp_path: Path) -> None:
    noise = np.random.default_rng(1).normal(0, 0.1, (4000, 1))
    path = written(tmp_path / "a.flac", noise, "PCM_16")
    path.write_bytes(path.read_bytes()[:2000])
    with pytest.raises(InputError):
        usable_audio_info(path)


@pytest.mark.parametrize("read", [read_audio, read_audio_info, usable_audio_info])
def test_an_empty_file_is_called_empty(tmp_path: Path, read: Callable[[Path], object]) -> None:
    path = tmp_path / "a.wav"
    path.touch()
    with pytest.raises(InputError, match="the file is empty"):
        read(path)


@pytest.mark.parametrize("read", [read_audio, read_audio_info, usable_audio_info])
def test_what_is_no_audio_or_not_there_is_told(
    tmp_path: Path, read: Callable[[Path], object]
) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(b"a letter, not a recording")
    with pytest.raises(InputError, match="not readable as audio"):
        read(path)
    with pytest.raises(InputError, match="cannot be read"):
        read(tmp_path / "b.wav")


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("container", ["WAV", "WAVEX", "RF64"])
@pytest.mark.parametrize("frames", [None, (0, 1), (7, 500), (990, 2000), (2000, 3000)])
def test_24_bits_read_as_they_lie_are_what_a_decoder_makes_of_them(
    tmp_path: Path, channels: int, container: str, frames: tuple[int, int] | None
) -> None:
    rng = np.random.default_rng(3)
    pcm = rng.integers(-(2**23), 2**23, (1001, channels), dtype=np.int32)
    pcm[0], pcm[-1] = -(2**23), 2**23 - 1
    path = tmp_path / "a.wav"
    soundfile.write(path, pcm << 8, RATE, subtype="PCM_24", format=container)
    first, end = frames or (0, 1001)
    if first >= 1001:
        with pytest.raises(InputError, match="no sound"):
            read_audio(path, frames=frames)
        return
    for dtype in ("float32", "float64"):
        samples = read_audio(path, dtype, frames).samples
        decoded, _ = soundfile.read(path, dtype=dtype, always_2d=True)
        assert samples.dtype == dtype
        np.testing.assert_array_equal(samples, decoded[first:end])


def test_a_cut_off_24_bit_wav_gives_what_is_there(tmp_path: Path) -> None:
    path = written(tmp_path / "a.wav", np.full((100, 2), 0.25), "PCM_24")
    path.write_bytes(path.read_bytes()[:-200])
    audio = read_audio(path)
    decoded, _ = soundfile.read(path, always_2d=True)
    assert 0 < len(decoded) < 100
    np.testing.assert_array_equal(audio.samples, decoded)


def test_a_flac_of_unknown_length_is_refused_in_one_line(tmp_path):
    path = tmp_path / "streamed.flac"
    soundfile.write(path, np.zeros((4_800, 1)), 48_000, subtype="PCM_24")
    content = bytearray(path.read_bytes())
    content[21] &= 0xF0  # 36 bits of STREAMINFO count the frames
    content[22:26] = bytes(4)
    path.write_bytes(content)
    with pytest.raises(InputError, match="does not say how long it is"):
        read_audio(path)
