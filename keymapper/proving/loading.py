"""Decode what an SFZ file plays."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from keymapper.formats.audio_file import read_audio
from keymapper.formats.sfz import SfzRegion
from keymapper.formats.wav_chunks import read_embedded_hints
from keymapper.model.instrument import EmbeddedHints
from keymapper.model.loop import Loop
from keymapper.proving.events import PlayerSample


def load_samples(regions: Iterable[SfzRegion]) -> dict[str, PlayerSample]:
    """Return the samples of `regions` that were found on disk, by name.

    Raises
    ------
    InputError
        If a sample is not audio.
    """
    paths = {region.sample: region.sample_path for region in regions}
    return {name: _decoded(path) for name, path in paths.items() if path is not None}


def _decoded(path: Path) -> PlayerSample:
    audio = read_audio(path)
    hints = read_embedded_hints(path)
    return PlayerSample(
        samples=audio.samples,
        rate=audio.info.rate,
        loop=loop_within(hints, len(audio.samples)),
        root_key=hints.root_key if hints else None,
    )


def loop_within(hints: EmbeddedHints | None, frames: int) -> Loop | None:
    """Return the loop that a file names, as far as it lies within its frames."""
    loop = None if hints is None else hints.loop
    if loop is None or loop.start_frame >= min(loop.end_frame, frames):
        return None
    return replace(loop, end_frame=min(loop.end_frame, frames))
