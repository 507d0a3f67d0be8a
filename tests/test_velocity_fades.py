"""Layers that fade into each other are as loud together as alone, however alike they are."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from keymapper import BuildSettings, Recipe, build_instrument
from keymapper.formats.sfz import read_sfz
from keymapper.model.recipe import ZoneSettings
from keymapper.proving.events import NoteOn
from keymapper.proving.loading import load_samples
from keymapper.proving.player import Player
from keymapper.proving.proof import ProofSettings, player_settings, prove_instrument, sfz_file
from tests.simple_notes import RATE

HZ = 440 * 2 ** ((60 - 69) / 12)


def write_layers(folder: Path, turn: float) -> None:
    """A soft and a loud note of one key: the loud one's partials are turned by `turn`."""
    folder.mkdir()
    time = np.arange(3 * RATE) / RATE
    shape = np.minimum(1.0, time / 0.005)
    for velocity, peak, turned in ((40, 0.05, 0.0), (110, 0.3, turn)):
        partials = [np.sin(2 * np.pi * HZ * k * time + turned) / k for k in range(1, 6)]
        sound = np.sum(partials, axis=0) * shape
        sound *= peak / np.abs(sound).max()
        lead = np.random.default_rng(1).normal(0, 1e-5, RATE // 20)
        samples = np.concatenate([lead, sound])
        soundfile.write(folder / f"C4_v{velocity}.wav", samples, RATE, subtype="PCM_24")


def levels_db(folder: Path) -> list[float]:
    reading = read_sfz(sfz_file(folder))
    samples = load_samples(reading.regions)
    settings = player_settings(reading, (sample.rate for sample in samples.values()))
    player = Player(reading.regions, samples, settings)
    found = []
    for velocity in range(30, 128):
        voices = player.voices((NoteOn(at_frame=0, key=60, velocity=velocity),))
        sound = player.render(voices, 2 * RATE)[RATE // 5 :].astype(float)
        found.append(10 * np.log10(np.mean(sound**2)))
    return found


@pytest.mark.parametrize("turn", [0.0, np.pi / 2, 2.0])
def test_level_over_velocity_is_smooth_through_a_fade(tmp_path: Path, turn: float) -> None:
    """Alike, unrelated, and partly taking from each other."""
    write_layers(tmp_path / "in", turn)
    settings = BuildSettings(workers=1, page=False, prove=False)
    for fade in (0, 20):
        recipe = Recipe(zones=ZoneSettings(velocity_fade=fade))
        build_instrument(tmp_path / "in", tmp_path / f"fade{fade}", recipe, settings)
    plain, faded = levels_db(tmp_path / "fade0"), levels_db(tmp_path / "fade20")
    assert np.abs(np.subtract(faded, plain)).max() < 0.5
    proof = prove_instrument(tmp_path / "fade20", ProofSettings(hold_seconds=1.5))
    assert proof.hand_overs
    assert max(abs(one.jump_db) for one in proof.hand_overs) < 0.5
