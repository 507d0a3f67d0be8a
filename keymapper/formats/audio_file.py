"""Audio files in, as float arrays: WAV (with RF64), AIFF, FLAC, OGG.

Samples are shaped (frames, channels) with full scale 1.0; integers of up to 24 bits are exact
in float32, so measuring reads float32 and exporting reads float64.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
import soundfile

from keymapper.errors import InputError
from keymapper.formats.wav_chunks import WavLayout, pcm24_floats, read_wav_layout

AUDIO_SUFFIXES = frozenset(
    {".wav", ".wave", ".rf64", ".aif", ".aiff", ".aifc", ".flac", ".ogg", ".oga"}
)

FloatArray = np.ndarray[tuple[int, int], np.dtype[Any]]
FloatType = Literal["float32", "float64"]

_WAV_FORMATS = frozenset({"WAV", "WAVEX", "RF64"})
_MOST_FRAMES = 1 << 48
_RATES_HZ = range(1_000, 655_351)
"""At less there is nothing to hear; more does not go into FLAC."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AudioInfo:
    """What the header of an audio file says."""

    rate: int
    channels: int
    frames: int
    container: str
    """WAV, RF64, AIFF, FLAC, OGG … as libsndfile names it."""
    encoding: str
    """PCM_16, PCM_24, FLOAT, VORBIS …"""
    missing_frames: int
    """Frames which the header promises and the file does not hold (a truncated WAV); else 0."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Audio:
    """A decoded file."""

    samples: FloatArray
    info: AudioInfo


def read_audio(
    path: Path,
    dtype: FloatType = "float32",
    frames: tuple[int, int] | None = None,
) -> Audio:
    """Decode a file to floats of full scale 1.0, shape (frames, channels).

    frames : a half-open range to keep to; None for the whole file.

    Raises
    ------
    InputError
        The file is empty, is not audio, holds samples that are not numbers, or has more than
        two channels.
    """
    with _opened(path) as file:
        info = _audio_info(file, path)
        first, end = frames or (0, file.frames)
        first = min(first, file.frames)
        samples = _decoded(file, path, first, max(0, min(end, file.frames) - first), dtype)
    if info.channels > 2:
        raise InputError(f"{path}: has {info.channels} channels; only mono and stereo can be used.")
    if not info.encoding.startswith("PCM_") and not np.isfinite(samples).all():
        raise InputError(f"{path}: holds samples that are not numbers; export it again.")
    if not len(samples):
        raise InputError(f"{path}: holds no sound (0 frames).")
    return Audio(samples=samples, info=info)


def _decoded(
    file: soundfile.SoundFile, path: Path, first: int, count: int, dtype: FloatType
) -> FloatArray:
    """Return `count` frames from `first` on.

    24-bit WAV, which samples mostly are, is taken from the file as it lies there: libsndfile goes
    through it sample by sample and takes twice as long.
    """
    offset = _pcm24_offset(file, path)
    if offset is None:
        file.seek(first)
        samples: FloatArray = file.read(count, dtype=dtype, always_2d=True)
        return samples
    frame_bytes = 3 * file.channels
    with path.open("rb") as raw:
        raw.seek(offset + first * frame_bytes - 1)
        data = raw.read(count * frame_bytes + 1)
    return pcm24_floats(data, dtype).reshape(-1, file.channels)


def _pcm24_offset(file: soundfile.SoundFile, path: Path) -> int | None:
    """Return where the audio of a plain and whole 24-bit WAV begins; None for any other file."""
    if file.subtype != "PCM_24" or file.format not in _WAV_FORMATS:
        return None
    layout, frame_bytes = read_wav_layout(path), 3 * file.channels
    places = [place.offset for place in layout.chunks if place.id == "data"]
    whole = layout.data_bytes_present == file.frames * layout.bytes_per_frame
    plain = layout.bytes_per_frame == frame_bytes and len(places) == 1
    return places[0] if plain and whole else None


def read_audio_info(path: Path) -> AudioInfo:
    """Return what the header of an audio file says, without decoding it.

    Raises
    ------
    InputError
        The file is empty, is not audio, or cannot be read.
    """
    with _opened(path) as file:
        return _audio_info(file, path)


def usable_audio_info(path: Path) -> AudioInfo:
    """Return what the header says of a file that `read_audio` can decode.

    A WAV file of whole numbers is known by its header; any other is decoded to be sure.

    Raises
    ------
    InputError
        As `read_audio` does.
    """
    info = read_audio_info(path)
    plain = info.container in ("WAV", "RF64") and info.encoding.startswith("PCM_")
    if plain and info.channels <= 2 and info.frames:
        return info
    return read_audio(path).info


@contextmanager
def _opened(path: Path) -> Iterator[soundfile.SoundFile]:
    """Open a file; whatever goes wrong with it, now or while it is read, is an InputError."""
    try:
        if path.stat().st_size == 0:
            raise InputError(f"{path}: the file is empty; record or copy it again.")
        with soundfile.SoundFile(path) as file:
            yield file
    except soundfile.LibsndfileError as error:
        reason = str(error.error_string).strip().rstrip(".")
        raise InputError(f"{path}: not readable as audio ({reason}).") from error
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror or error}).") from error


def refuse_odd_header(file: soundfile.SoundFile, path: Path) -> None:
    """Raise InputError where a header leaves the length open, or states a rate nobody records at.

    Of an open length libsndfile says "for ever".
    """
    if file.frames > _MOST_FRAMES:
        raise InputError(
            f"{path}: does not say how long it is, as streamed FLAC; convert it to WAV."
        )
    if file.samplerate not in _RATES_HZ:
        raise InputError(
            f"{path}: states a sample rate of {file.samplerate} Hz; {_RATES_HZ[0]} to "
            f"{_RATES_HZ[-1]} can be used; convert it."
        )


def _audio_info(file: soundfile.SoundFile, path: Path) -> AudioInfo:
    refuse_odd_header(file, path)
    missing = 0
    if file.format in _WAV_FORMATS:
        layout = read_wav_layout(path)
        missing = _missing_frames(layout)
    return AudioInfo(
        rate=file.samplerate,
        channels=file.channels,
        frames=file.frames,
        container="WAV" if file.format == "WAVEX" else file.format,
        encoding=file.subtype,
        missing_frames=missing,
    )


def _missing_frames(layout: WavLayout) -> int:
    missing_bytes = layout.data_bytes - layout.data_bytes_present
    return missing_bytes // layout.bytes_per_frame if layout.bytes_per_frame else 0
