"""Gather from a written instrument's folder what its page draws and plays."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from keymapper.errors import InputError
from keymapper.formats.audio_file import read_audio
from keymapper.model.instrument import Manifest
from keymapper.model.loop import Loop
from keymapper.reporting.page.content import FolderData, JoinView, PitchView, SampleView, Wave
from keymapper.reporting.page.previews import preview_of
from keymapper.workers import Workers

PREVIEW_BYTES = 6_000_000
"""Of base64, over all samples of a page."""
WAVE_COLUMNS = 320
JOIN_POINTS = 120
PITCH_POINTS = 120
_JOIN_PERIODS = 2.5


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleToView:
    """One sample file, and what is known of it."""

    file: str
    """Path from the folder of the page, with `/`."""
    loop: Loop | None
    f0_hz: float | None
    """Of the sample as it is stored."""


def samples_to_view(manifest: Manifest) -> list[SampleToView]:
    """Return the samples of an instrument, each once."""
    samples = {
        note.sample.file: SampleToView(
            file=note.sample.file, loop=note.sample.loop, f0_hz=note.measurement.pitch.f0_hz
        )
        for note in manifest.notes
    }
    return list(samples.values())


def begin_gathering(
    samples: Sequence[SampleToView],
    folder: Path,
    workers: Workers | None = None,
    *,
    preview_bytes: int = PREVIEW_BYTES,
) -> Callable[[], FolderData]:
    """Have workers find what is drawn and heard of some samples; return what waits for it.

    Samples that cannot be read are left out.
    """
    share = preview_bytes // max(len(samples), 1)
    look = partial(sample_view, folder=folder, preview_bytes=share)
    views = (workers or Workers(1)).run(look, samples)

    def gathered() -> FolderData:
        found = zip(samples, views, strict=True)
        return FolderData(
            views={sample.file: view for sample, view in found if view is not None},
            total_bytes=sum(_size(folder / sample.file) for sample in samples),
        )

    return gathered


def _size(path: Path) -> int:
    return path.stat().st_size if path.is_file() else 0


def sample_view(sample: SampleToView, folder: Path, preview_bytes: int) -> SampleView | None:
    """Return what is drawn and heard of one sample; None where it cannot be read."""
    try:
        audio = read_audio(folder / sample.file)
    except InputError:
        return None
    rate, loop = audio.info.rate, sample.loop
    if loop is not None and not 0 <= loop.start_frame < loop.end_frame <= len(audio.samples):
        loop = None
    return SampleView(
        rate=rate,
        frames=len(audio.samples),
        wave=wave_of(audio.samples, rate),
        join=None if loop is None else join_view(audio.samples, rate, loop, sample.f0_hz),
        pitch=None if sample.f0_hz is None else pitch_view(audio.samples, rate, sample.f0_hz),
        preview=preview_of(audio.samples, rate, loop, preview_bytes) if preview_bytes else None,
    )


def wave_of(samples: np.ndarray, rate: int, columns: int = WAVE_COLUMNS) -> Wave:
    """Return the lowest and highest value, over all channels, of equal stretches of a sample."""
    columns = min(columns, len(samples))
    edges = np.linspace(0, len(samples), columns + 1).astype(int)[:-1]
    sides = np.ascontiguousarray(samples.T)
    return Wave(
        lows=np.minimum.reduceat(sides, edges, axis=1).min(axis=0),
        highs=np.maximum.reduceat(sides, edges, axis=1).max(axis=0),
        seconds=len(samples) / rate,
    )


def join_view(samples: np.ndarray, rate: int, loop: Loop, f0_hz: float | None) -> JoinView:
    """Return some periods to either side of a loop's join, of the louder channel."""
    side = max(samples.T, key=lambda one: float(one @ one))
    period = rate / f0_hz if f0_hz else 0.008 * rate
    reach = int(min(max(_JOIN_PERIODS * period, 0.004 * rate), 0.05 * rate))
    places = np.unique(np.rint(np.linspace(-reach, reach, 2 * JOIN_POINTS)).astype(int))
    loop_places = loop.start_frame + np.mod(places, loop.length_frames)
    before = np.where(places < 0, loop.start_frame + places, -1)
    after = np.where(places >= 0, loop.end_frame + places, -1)
    return JoinView(
        milliseconds=places / rate * 1000.0,
        played=side[loop_places],
        before_start=_taken(side, before),
        after_end=_taken(side, after),
    )


def _taken(side: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Return the frames at places; not-a-number where there are none."""
    inside = (places >= 0) & (places < len(side))
    return np.where(inside, side[np.clip(places, 0, len(side) - 1)], np.nan)


def pitch_view(samples: np.ndarray, rate: int, f0_hz: float) -> PitchView | None:
    """Return the course of the pitch against `f0_hz`; None where it cannot be followed."""
    from keymapper.measuring.pitch.fine import track_at
    from keymapper.measuring.pitch.sustain import find_sustain, mono_mix

    sustain = find_sustain(mono_mix(samples), float(rate))
    track = None if sustain is None else track_at(sustain, f0_hz)
    if sustain is None or track is None:
        return None
    count = len(track.cents)
    firsts = np.linspace(0, count, min(count, PITCH_POINTS), endpoint=False).astype(int)
    weights = np.maximum(track.weights, 1e-20)
    totals = np.add.reduceat(weights, firsts)
    offset = 1200.0 * np.log2(track.f0_hz / f0_hz)
    return PitchView(
        seconds=np.add.reduceat(track.seconds, firsts) / np.diff([*firsts, count])
        + sustain.onset_frame / rate,
        cents=np.add.reduceat(track.cents * weights, firsts) / totals + offset,
    )
