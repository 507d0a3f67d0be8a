"""Write one sample: cut, loop, level, quantise, wrap in its format, and read it back."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import soundfile

from keymapper.errors import OutputError
from keymapper.exporting.audio import Preparation, fade_out_frames, faded_out, prepared_note
from keymapper.exporting.quantise import dequantised, quantised
from keymapper.formats.audio_file import read_audio
from keymapper.formats.two_sides import AudioPlace, read_place
from keymapper.formats.wav_chunks import SampleChunks, write_wav
from keymapper.measuring.join import join_audibility
from keymapper.measuring.levels import peak_dbfs
from keymapper.measuring.loops import bake_loop, flattened
from keymapper.model.instrument import Processing, SampleFile
from keymapper.model.loop import JoinAudibility, LoopVerdict
from keymapper.model.recipe import SampleFormat

_HARDLY_OVER_DB = 0.001
_FLAC_TAGS = {"INAM": "title", "IART": "artist", "ICOP": "copyright", "IPRD": "album"}


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleOrder:
    """One sample to be written."""

    source: AudioPlace
    file: str
    """Relative to the instrument's folder."""
    preparation: Preparation
    is_reversed: bool
    loop: LoopVerdict
    gain_db: float
    format: SampleFormat
    bits: int
    chunks: SampleChunks


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Shipped:
    """Audio as it will be quantised, beside what its join is compared with."""

    samples: np.ndarray
    reference: np.ndarray
    faded_frames: int


def write_sample(order: SampleOrder, folder: Path) -> SampleFile:
    """Write a sample under `folder` and return what was written, as read back from the file.

    A loop levelled or faded beyond full scale is written softer than ordered, by so much.

    Raises
    ------
    InputError
        The source can no longer be read.
    OutputError
        The file cannot be written.
    """
    audio = read_place(order.source)
    note = prepared_note(audio.samples, audio.info.rate, order.preparation)
    shipped = _shipped(note.samples, order)
    gain_db = order.gain_db - _over_full_scale_db(shipped.samples, order.gain_db)
    dither = order.bits == 16
    pcm = quantised(shipped.samples * 10 ** (gain_db / 20), order.bits, dither=dither)
    pcm = _with_equal_guard(pcm, order.loop)
    path = folder / order.file
    _write(path, pcm, order)
    return SampleFile(
        file=order.file,
        sha256=hashlib.sha256(path.read_bytes()).hexdigest(),
        frames=len(pcm),
        channels=pcm.shape[1],
        peak_dbfs=peak_dbfs(
            dequantised(np.array([pcm.min(initial=0), pcm.max(initial=0)]), order.bits)
        ),
        processing=Processing(
            channel=order.preparation.channel,
            reversed=order.is_reversed,
            baked_cents=order.preparation.baked_cents,
            dc_removed=note.dc_removed,
            high_pass_hz=note.high_pass_hz,
            start_frame=order.preparation.start_frame,
            end_frame=order.preparation.end_frame,
            rate=order.preparation.rate,
            fade_in_frames=note.fade_in_frames,
            crossfade_frames=order.loop.crossfade_frames,
            flattened=order.loop.flattening is not None,
            fade_out_frames=shipped.faded_frames,
            gain_db=gain_db,
            bits=order.bits,
            dithered=dither,
        ),
        loop=order.loop.loop,
        join=_join_as_read_back(path, shipped.reference, gain_db, order),
    )


def _over_full_scale_db(samples: np.ndarray, gain_db: float) -> float:
    over_db = peak_dbfs(samples) + gain_db
    return over_db if over_db > _HARDLY_OVER_DB else 0.0


def _shipped(note: np.ndarray, order: SampleOrder) -> _Shipped:
    rate, verdict = order.preparation.rate, order.loop
    if verdict.loop is not None:
        level = flattened(note, rate, verdict)
        baked = bake_loop(level, rate, replace(verdict, flattening=None))
        return _Shipped(samples=baked, reference=level, faded_frames=0)
    faded = faded_out(note, rate)
    return _Shipped(
        samples=faded[::-1] if order.is_reversed else faded,
        reference=note,
        faded_frames=fade_out_frames(len(note), rate),
    )


def _with_equal_guard(pcm: np.ndarray, verdict: LoopVerdict) -> np.ndarray:
    """Make what follows the loop's end equal to what follows its start, dither and all."""
    if verdict.loop is None:
        return pcm
    start, end = verdict.loop.start_frame, verdict.loop.end_frame
    guard = len(pcm) - end
    pcm[end:] = pcm[start : start + guard]
    return pcm


def _write(path: Path, pcm: np.ndarray, order: SampleOrder) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if order.format == "wav":
            write_wav(path, pcm, order.preparation.rate, order.bits, order.chunks)
        else:
            _write_flac(path, pcm, order)
    except OSError as error:
        raise OutputError(f"{path}: cannot be written ({error.strerror or error}).") from error
    except soundfile.LibsndfileError as error:
        raise OutputError(f"{path}: cannot be written ({error.error_string}).") from error


def _write_flac(path: Path, pcm: np.ndarray, order: SampleOrder) -> None:
    """FLAC carries its loop only in the SFZ: few readers know a `smpl` chunk inside it."""
    with soundfile.SoundFile(
        path, "w", order.preparation.rate, pcm.shape[1], f"PCM_{order.bits}", format="FLAC"
    ) as file:
        for tag, name in _FLAC_TAGS.items():
            if order.chunks.info.get(tag):
                setattr(file, name, order.chunks.info[tag])
        file.write(pcm << (32 - order.bits))


def _join_as_read_back(
    path: Path, reference: np.ndarray, gain_db: float, order: SampleOrder
) -> JoinAudibility | None:
    if order.loop.loop is None:
        return None
    played = read_audio(path).samples
    level = (reference * 10 ** (gain_db / 20)).astype(np.float32, copy=False)
    return join_audibility(level, played, order.preparation.rate, order.loop.loop)
