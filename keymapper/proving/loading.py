"""Decode what an SFZ file plays."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from keymapper.formats.audio_file import read_audio
from keymapper.formats.sfz import SfzRegion
from keymapper.formats.wav_chunks import read_embedded_hints
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
    loop = None
    if hints and hints.loop_start_frame is not None and hints.loop_end_frame is not None:
        loop = (hints.loop_start_frame, min(hints.loop_end_frame, len(audio.samples)))
    return PlayerSample(
        samples=audio.samples,
        rate=audio.info.rate,
        loop=loop if loop and loop[0] < loop[1] else None,
        root_key=hints.root_key if hints else None,
    )
