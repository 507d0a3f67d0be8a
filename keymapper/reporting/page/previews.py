"""Short pieces of samples to be embedded in the page: lossless, so that a join stays true."""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from keymapper.model.loop import Loop
from keymapper.reporting.page.content import Preview

_FADE_SECONDS = 0.03
_LEAST_GAIN_SECONDS = 0.15
"""Parts shorter than this are not worth a cut."""
_END_FADE_SECONDS = 0.25
_SHORTEST_SECONDS = 0.4
_SEARCH_SECONDS = 0.025
_TRIES = 3
_PROBE_SECONDS = 0.25
_SURELY_TOO_MUCH = 1.5
"""What a short probe foretells to need so much more room is not tried."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Piece:
    samples: np.ndarray
    loop: Loop | None
    shortened: bool


def preview_of(samples: np.ndarray, rate: int, loop: Loop | None, most_bytes: int) -> Preview:
    """Return a preview of a sample in about `most_bytes` of base64, as good as they allow.

    Whole with its channels; else whole in mono; else in mono with stretches cut out between the
    onset and the join, where the sound is spliced at its most similar places. What is played to
    either side of the join is always the sample's own, frame by frame, and a loop keeps passing
    it. 16 bits, the sample's own rate.

    samples : float, shape (frames, channels), full scale 1.0.
    """
    whole = samples if loop is None else samples[: loop.end_frame + 64]
    mono = _one_side(whole)
    for sound in (whole, mono) if whole.shape[1] > 1 else (mono,):
        needed = _foretold_bytes(sound, rate)
        if needed <= _SURELY_TOO_MUCH * most_bytes:
            coded = _flac_base64(sound, rate)
            needed = len(coded)
            if needed <= most_bytes:
                return _preview(coded, _Piece(samples=sound, loop=loop, shortened=False))
    length = len(mono)
    for _ in range(_TRIES):
        length = round(0.95 * length * most_bytes / needed)
        piece = _shortened(mono, rate, loop, max(length / rate, _SHORTEST_SECONDS))
        coded = _flac_base64(piece.samples, rate)
        needed = len(coded)
        if needed <= most_bytes or length / rate < _SHORTEST_SECONDS:
            break
    return _preview(coded, piece)


def _preview(coded: str, piece: _Piece) -> Preview:
    return Preview(
        base64=coded,
        channels=piece.samples.shape[1],
        shortened=piece.shortened,
        start_frame=0 if piece.loop is None else piece.loop.start_frame,
        end_frame=0 if piece.loop is None else piece.loop.end_frame,
    )


def _one_side(samples: np.ndarray) -> np.ndarray:
    """Return the mean of the channels, or the first where they would cancel, as one column."""
    channels = samples.shape[1]
    mean = samples @ np.full((channels, 1), 1 / channels, samples.dtype)
    kept = float(np.vdot(mean, mean)) * channels > 0.2 * float(np.vdot(samples, samples))
    return mean if kept else samples[:, :1]


def _shortened(mono: np.ndarray, rate: int, loop: Loop | None, seconds: float) -> _Piece:
    """Keep the head and what surrounds the join, in about so many seconds."""
    if loop is None:
        length = min(len(mono), round(seconds * rate))
        return _Piece(samples=_faded_end(mono[:length], rate), loop=None, shortened=True)
    start, end, part = loop.start_frame, loop.end_frame, round(seconds * rate / 4)
    wanted = [(0, 2 * part), (start - part // 3, start + part), (end - part, end)]
    kept = _merged(
        [(low, min(high, end)) for low, high in wanted], round(_LEAST_GAIN_SECONDS * rate)
    )
    sound, loop_start = mono[: kept[0][1]], start
    for (_, before), (after, until) in pairwise(kept):
        fade = min(round(_FADE_SECONDS * rate), before, after)
        after -= _best_shift(mono[:, 0], before, after, (fade, round(_SEARCH_SECONDS * rate)))
        if after <= start:
            loop_start -= after - before
        sound = _spliced(sound, mono[after - fade : until], fade)
    tail = mono[end : end + 64]
    return _Piece(
        samples=np.concatenate([sound, tail]),
        loop=Loop(start_frame=loop_start, end_frame=len(sound)),
        shortened=True,
    )


def _merged(ranges: Sequence[tuple[int, int]], gap: int) -> list[tuple[int, int]]:
    """Return rising ranges in which those less than `gap` apart have become one."""
    merged: list[tuple[int, int]] = []
    for low, high in ranges:
        low = max(low, 0)
        if merged and low - merged[-1][1] < gap:
            merged[-1] = (merged[-1][0], max(merged[-1][1], high))
        else:
            merged.append((low, high))
    return merged


def _best_shift(mono: np.ndarray, before: int, after: int, lengths: tuple[int, int]) -> int:
    """Return by how much earlier than `after` to go on so that the sound goes on alike.

    The highest normalised correlation of the fades of both sides.
    """
    fade, reach = lengths
    reach = max(0, min(reach, after - fade - before))
    if fade < 8 or reach == 0:
        return 0
    out = mono[before - fade : before]
    around = mono[after - fade - reach : after]
    energy = np.concatenate([[0.0], np.cumsum(around.astype(float) ** 2)])
    likeness = np.correlate(around, out) / np.sqrt(
        np.maximum(energy[fade:] - energy[:-fade], 1e-20)
    )
    return reach - int(np.argmax(likeness))


def _spliced(first: np.ndarray, second: np.ndarray, fade: int) -> np.ndarray:
    """Return one sound after the other, crossfaded over the last frames of the first."""
    up = 0.5 - 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / max(fade, 1))[:, None]
    middle = first[len(first) - fade :] * (1 - up) + second[:fade] * up
    return np.concatenate([first[: len(first) - fade], middle, second[fade:]])


def _faded_end(mono: np.ndarray, rate: int) -> np.ndarray:
    fade = min(len(mono), round(_END_FADE_SECONDS * rate))
    down = 0.5 + 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / max(fade, 1))[:, None]
    return np.concatenate([mono[: len(mono) - fade], mono[len(mono) - fade :] * down])


def _foretold_bytes(samples: np.ndarray, rate: int) -> int:
    """Return about what a sound will need as base64, by a short piece from its middle."""
    length = min(len(samples), round(_PROBE_SECONDS * rate))
    first = (len(samples) - length) // 2
    return len(_flac_base64(samples[first : first + length], rate)) * len(samples) // length


def _flac_base64(samples: np.ndarray, rate: int) -> str:
    import soundfile

    pcm = np.clip(np.rint(samples * 32768.0), -32768, 32767).astype(np.int16)
    out = io.BytesIO()
    soundfile.write(out, pcm, rate, format="FLAC", subtype="PCM_16")
    return base64.b64encode(out.getvalue()).decode("ascii")
