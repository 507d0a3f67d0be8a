"""Layers that fade into each other are as loud together as alone, however alike they are."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from keymapper import BuildSettings, Recipe, build_instrument
from keymapper.formats.manifest import manifest_beside
from keymapper.formats.sfz import read_sfz
from keymapper.mapping.headroom import MOST_VOLUME_DB
from keymapper.model.recipe import ZoneSettings
from keymapper.proving.events import NoteOn
from keymapper.proving.loading import load_samples
from keymapper.proving.player import Player
from keymapper.proving.proof import ProofSettings, player_settings, prove_instrument, sfz_file
from tests.simple_notes import RATE

HZ = 440 * 2 ** ((60 - 69) / 12)


def write_layers(
    folder: Path, turn: float, *, first_turn: float | None = None, soft_peak: float = 0.05
) -> None:
    """A soft and a loud note of one key: the loud one's partials are turned by `turn`.

    first_turn : of the fundamental, where it is another.
    """
    folder.mkdir()
    time = np.arange(3 * RATE) / RATE
    shape = np.minimum(1.0, time / 0.005)
    turns = [turn if first_turn is None else first_turn, *[turn] * 4]
    for velocity, peak, turned in ((40, soft_peak, [0.0] * 5), (110, 0.3, turns)):
        partials = [
            np.sin(2 * np.pi * HZ * k * time + phase) / (k if first_turn is None else 1)
            for k, phase in enumerate(turned, 1)
        ]
        sound = np.sum(partials, axis=0) * shape
        sound *= peak / np.abs(sound).max()
        lead = np.random.default_rng(1).normal(0, 1e-5, RATE // 20)
        samples = np.concatenate([lead, sound])
        soundfile.write(folder / f"C4_v{velocity}.wav", samples, RATE, subtype="PCM_24")


def levels_db(folder: Path, key: int = 60, turn: int = 0) -> list[float]:
    reading = read_sfz(sfz_file(folder))
    samples = load_samples(reading.regions)
    settings = player_settings(reading, (sample.rate for sample in samples.values()))
    player = Player(reading.regions, samples, settings)
    found = []
    for velocity in range(2, 128):
        voices = player.voices((NoteOn(at_frame=0, key=key, velocity=velocity),), turn)
        sound = player.render(voices, 2 * RATE)[RATE // 5 :].astype(float)
        found.append(10 * np.log10(np.mean(sound**2)))
    return found


def test_layers_narrower_than_the_fade_stay_level(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    time = np.arange(2 * RATE) / RATE
    for index, velocity in enumerate((10, 22, 30, 41, 52, 120)):
        sound = np.sin(2 * np.pi * HZ * time) + 0.5 * np.sin(4 * np.pi * HZ * time + index)
        sound *= 0.02 * 1.5**index * np.minimum(1.0, time / 0.005)
        lead = np.random.default_rng(1).normal(0, 1e-5, RATE // 20)
        samples = np.concatenate([lead, sound])
        soundfile.write(tmp_path / "in" / f"C4_v{velocity}.wav", samples, RATE, subtype="PCM_24")
    plain, faded = levels_db(built(tmp_path, 0)), levels_db(built(tmp_path, 30))
    assert np.abs(np.subtract(faded, plain)).max() < 0.2


def test_a_note_stays_level_in_fades_into_each_of_several_notes(tmp_path: Path) -> None:
    """One soft note under two loud ones, of which one takes from it and the other adds to it."""
    (tmp_path / "in").mkdir()
    time = np.arange(3 * RATE) / RATE
    for name, hz, peak, turn in (
        ("C4_v40", HZ, 0.05, 0.0),
        ("C4_v110", HZ, 0.3, 0.0),
        ("E4_v110", HZ * 2 ** (4 / 12), 0.3, 2.0),
    ):
        sound = peak * np.sin(2 * np.pi * hz * time + turn) * np.minimum(1.0, time / 0.005)
        lead = np.random.default_rng(1).normal(0, 1e-5, RATE // 20)
        samples = np.concatenate([lead, sound])
        soundfile.write(tmp_path / "in" / f"{name}.wav", samples, RATE, subtype="PCM_24")
    for fade in (0, 20):
        built(tmp_path, fade)
    for key in (60, 64):
        plain, faded = (levels_db(tmp_path / f"fade{fade}", key) for fade in (0, 20))
        assert np.abs(np.subtract(faded, plain)).max() < 0.5


SWINGING = ((0.0, 1.0, 3.1), (0.0, 1.9))
STEADY = ((0.0, 0.2, 0.1), (0.1, 0.3))


@pytest.mark.parametrize(("turns", "fades"), [(SWINGING, False), (STEADY, True)])
def test_the_level_does_not_hang_on_which_repeats_meet(
    tmp_path: Path, turns: tuple[tuple[float, ...], ...], fades: bool
) -> None:
    """Three soft repeats and two loud ones, which players bring together as they will."""
    (tmp_path / "in").mkdir()
    time = np.arange(2 * RATE) / RATE
    for velocity, peak, phases in ((40, 0.05, turns[0]), (110, 0.3, turns[1])):
        for repeat, turn in enumerate(phases, 1):
            sound = np.sin(2 * np.pi * HZ * time + turn)
            sound += np.sin((3 + repeat) * 2 * np.pi * HZ * time) / 4
            sound *= peak * np.minimum(1.0, time / 0.005) / 2
            lead = np.random.default_rng(repeat).normal(0, 1e-5, RATE // 20)
            name = tmp_path / "in" / f"C4_v{velocity}_rr{repeat}.wav"
            soundfile.write(name, np.concatenate([lead, sound]), RATE, subtype="PCM_24")
    plain, faded = levels_db(built(tmp_path, 0)), built(tmp_path, 20)
    for turn in range(6):
        assert np.abs(np.subtract(levels_db(faded, turn=turn), plain)).max() < 1.0
    manifest = manifest_beside(sfz_file(faded))
    assert any(zone.velocity_fade is not None for zone in manifest.zones) == fades
    told = [text for text in manifest.layers[0].remarks if "hand over at once" in text]
    assert bool(told) != fades


def built(folder: Path, fade: int) -> Path:
    recipe = Recipe(zones=ZoneSettings(velocity_fade=fade))
    settings = BuildSettings(workers=1, page=False, prove=False)
    build_instrument(folder / "in", folder / f"fade{fade}", recipe, settings)
    return folder / f"fade{fade}"


@pytest.mark.parametrize("turn", [0.0, np.pi / 2, 2.0])
def test_level_over_velocity_is_smooth_through_a_fade(tmp_path: Path, turn: float) -> None:
    """Alike, unrelated, and partly taking from each other."""
    write_layers(tmp_path / "in", turn)
    plain, faded = levels_db(built(tmp_path, 0)), levels_db(built(tmp_path, 20))
    assert np.abs(np.subtract(faded, plain)).max() < 0.5
    proof = prove_instrument(tmp_path / "fade20", ProofSettings(hold_seconds=1.5))
    assert proof.hand_overs
    assert max(abs(one.jump_db) for one in proof.hand_overs) < 0.5


def test_the_likeness_of_layers_is_that_of_all_their_partials(tmp_path: Path) -> None:
    """And not of what the brightness knob lets through when it is closed."""
    write_layers(tmp_path / "in", 2.0, first_turn=0.0)
    plain, faded = levels_db(built(tmp_path, 0)), levels_db(built(tmp_path, 20))
    assert np.abs(np.subtract(faded, plain)).max() < 0.5


def test_release_notes_are_no_layers_that_fade(tmp_path: Path) -> None:
    write_layers(tmp_path / "in", 0.0)
    for velocity, peak in ((40, 0.02), (110, 0.1)):
        noise = np.random.default_rng(velocity).normal(0, 0.2, RATE // 4)
        noise *= peak * np.exp(-np.arange(len(noise)) / RATE / 0.03)
        soundfile.write(tmp_path / "in" / f"C4_v{velocity}_release.wav", noise, RATE)
    plain, faded = levels_db(built(tmp_path, 0)), levels_db(built(tmp_path, 20))
    assert np.abs(np.subtract(faded, plain)).max() < 0.5


@pytest.mark.parametrize("turn", [np.pi / 2, 2.0])
def test_what_a_fade_raises_stays_within_the_volume_that_players_take(
    tmp_path: Path, turn: float
) -> None:
    write_layers(tmp_path / "in", turn, soft_peak=0.003)
    faded = built(tmp_path, 20)
    regions = read_sfz(sfz_file(faded)).regions
    assert max(region.volume_db for region in regions) <= MOST_VOLUME_DB
    assert np.abs(np.subtract(levels_db(faded), levels_db(built(tmp_path, 0)))).max() < 0.5
    peaks = [note.sample.peak_dbfs for note in manifest_beside(sfz_file(faded)).notes]
    assert max(peaks) <= -3.0 + 0.01


def test_no_note_plays_above_the_peak_asked_for_where_layers_begin_alike(tmp_path: Path) -> None:
    """Raised because they take from each other later, they add up while they begin."""
    (tmp_path / "in").mkdir()
    time = np.arange(3 * RATE) / RATE
    for velocity, turn in ((90, 0.0), (110, 2.0)):
        phase = 2 * np.pi * HZ * time + turn * np.clip((time - 0.06) / 0.04, 0.0, 1.0)
        sound = 0.3 * np.sin(phase) * np.minimum(1.0, time / 0.005)
        lead = np.random.default_rng(1).normal(0, 1e-5, RATE // 20)
        samples = np.concatenate([lead, sound])
        soundfile.write(tmp_path / "in" / f"C4_v{velocity}.wav", samples, RATE, subtype="PCM_24")
    reading = read_sfz(sfz_file(built(tmp_path, 40)))
    samples = load_samples(reading.regions)
    player = Player(reading.regions, samples, player_settings(reading, [RATE]))
    for velocity in range(1, 128):
        voices = player.voices((NoteOn(at_frame=0, key=60, velocity=velocity),))
        assert np.abs(player.render(voices, RATE)).max() < 10 ** (-3.0 / 20) * 1.02
