"""An instrument within a budget, checked in the written files."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from keymapper import BuildSettings, Recipe, build_instrument
from keymapper.errors import UsageError
from keymapper.formats.sfz import read_sfz
from keymapper.model.recipe import BudgetSettings, LayerSettings, LoopSettings
from tests.simple_notes import RATE, note, write_note

ONE = BuildSettings(workers=1, prove=False, page=False)
KEYS = (48, 52, 55, 60, 64, 67)


def decoded_bytes(out: Path) -> int:
    total = 0
    for path in sorted((out / "samples").iterdir()):
        info = soundfile.info(path)
        total += info.frames * info.channels * int(info.subtype.removeprefix("PCM_")) // 8
    return total


def played_keys(out: Path) -> list[int]:
    """Return the keys that start something at velocity 100."""
    found = read_sfz(next(out.glob("*.sfz"))).regions
    keys = [k for r in found for k in range(r.lokey, r.hikey + 1) if r.lovel <= 100 <= r.hivel]
    return sorted(keys)


def stereo_notes(folder: Path, apart_frames: int = 40) -> None:
    folder.mkdir(parents=True)
    for key in KEYS:
        left = note(440 * 2 ** ((key - 69) / 12))[:, 0]
        right = 0.8 * np.roll(left, apart_frames)
        soundfile.write(folder / f"Float {key}.wav", np.stack([left, right], 1), RATE, "PCM_24")


def budgeted(tmp_path: Path, **choices) -> tuple[int, int]:
    """Build in full and within a budget; return both sizes of the decoded samples."""
    build_instrument(tmp_path / "in", tmp_path / "full", settings=ONE)
    recipe = Recipe(budget=BudgetSettings(**choices))
    build_instrument(tmp_path / "in", tmp_path / "small", recipe, ONE)
    assert played_keys(tmp_path / "small") == played_keys(tmp_path / "full")
    return decoded_bytes(tmp_path / "full"), decoded_bytes(tmp_path / "small")


def test_a_budget_leaves_an_evened_note_even(tmp_path: Path) -> None:
    """Fewer notes would draw another curve through the levels."""
    for key in (40, 52, 58, 64, 70, 76, 81):
        write_note(tmp_path / "in" / f"Float {key}.wav", key, peak=0.45 if key == 40 else 0.3)
    full = build_instrument(tmp_path / "in", tmp_path / "full", settings=ONE)
    recipe = Recipe(budget=BudgetSettings(max_notes=3))
    small = build_instrument(tmp_path / "in", tmp_path / "small", recipe, ONE)
    gains = {zone.root_key: zone.gain_db for zone in full.zones}
    apart = [zone.gain_db - gains[zone.root_key] for zone in small.zones]
    assert len(apart) == 3
    assert np.ptp(apart) < 0.05


@pytest.mark.parametrize("size", ["300kB", "0.15 MB"])
def test_the_written_samples_fit_and_every_key_still_plays(tmp_path, size):
    stereo_notes(tmp_path / "in")
    full, small = budgeted(tmp_path, size=size)
    assert small <= BudgetSettings(size=size).most_bytes < full


def test_a_budget_that_holds_everything_changes_nothing(tmp_path):
    stereo_notes(tmp_path / "in")
    build_instrument(tmp_path / "in", tmp_path / "full", settings=ONE)
    roomy = Recipe(budget=BudgetSettings(size="1GB"))
    manifest = build_instrument(tmp_path / "in", tmp_path / "small", roomy, ONE)
    assert not manifest.skipped
    for path in (tmp_path / "full" / "samples").iterdir():
        assert path.read_bytes() == (tmp_path / "small" / "samples" / path.name).read_bytes()


def test_as_few_notes_as_asked_for_are_kept_and_the_rest_is_told(tmp_path):
    for key in KEYS:
        write_note(tmp_path / "in" / f"Float {key}.wav", key)
    recipe = Recipe(budget=BudgetSettings(max_notes=3))
    manifest = build_instrument(tmp_path / "in", tmp_path / "out", recipe, ONE)
    assert len(manifest.notes) == 3
    assert [one.reason for one in manifest.skipped] == ["left out to fit the budget"] * 3
    assert any("3 of 6 recorded keys" in remark for remark in manifest.layers[0].remarks)


def test_two_sides_fold_to_their_mean_where_that_is_heard_least(tmp_path):
    stereo_notes(tmp_path / "in", apart_frames=1)
    unlooped = LoopSettings(mode="none")
    build_instrument(tmp_path / "in", tmp_path / "none", Recipe(loops=unlooped), ONE)
    half = decoded_bytes(tmp_path / "none") / 2 + 1000
    choices = BudgetSettings(size=f"{half / 1000:.1f}kB", lower_bits=False, lower_rates=False)
    recipe = Recipe(budget=choices, loops=unlooped)
    manifest = build_instrument(tmp_path / "in", tmp_path / "small", recipe, ONE)
    assert {one.sample.processing.channel for one in manifest.notes} == {"folded"}
    name = manifest.notes[0].sample.file
    mono, _ = soundfile.read(tmp_path / "small" / name)
    sides, _ = soundfile.read(tmp_path / "none" / name)
    assert mono.ndim == 1
    assert np.corrcoef(mono, sides.mean(axis=1)[: len(mono)])[0, 1] > 0.9999


def test_sounds_whose_sides_are_less_alike_stay_as_loud_when_folded(tmp_path):
    folder, unlooped = tmp_path / "in", LoopSettings(mode="none")
    layers = []
    for name, turn in (("alike", 0.01), ("unlike", 0.6)):
        (folder / name).mkdir(parents=True)
        sides = np.concatenate([note(220.0), note(220.0, phase=turn)], axis=1)
        soundfile.write(folder / name / "Float 57.wav", sides, RATE, "PCM_24")
        layers.append(LayerSettings(folder=name))
    both = Recipe(loops=unlooped, layer=tuple(layers))
    full = build_instrument(folder, tmp_path / "full", both, ONE)
    half = decoded_bytes(tmp_path / "full") / 2 + 1000
    choices = BudgetSettings(size=f"{half / 1000:.1f}kB", lower_bits=False, lower_rates=False)
    small = build_instrument(folder, tmp_path / "small", replace(both, budget=choices), ONE)
    assert {one.sample.processing.channel for one in small.notes} == {"folded"}

    def played_db(out, manifest):
        sounds = [soundfile.read(out / zone.sample)[0] for zone in manifest.zones]
        gains_db = np.array([zone.gain_db for zone in manifest.zones])
        return 10 * np.log10([np.mean(sound**2) for sound in sounds]) + gains_db

    change_db = played_db(tmp_path / "small", small) - played_db(tmp_path / "full", full)
    assert np.ptp(change_db) < 0.1
    stored = [soundfile.read(tmp_path / "full" / zone.sample)[0] for zone in full.zones]
    kept = [np.mean(sound.mean(axis=1) ** 2) / np.mean(sound**2) for sound in stored]
    assert np.ptp(10 * np.log10(kept)) > 1.0  # by so much the fold alone would be uneven


def test_a_slow_beat_neither_fades_nor_steps_in_a_budget(tmp_path):
    folder = tmp_path / "in"
    folder.mkdir()
    for key, phase in zip((36, 48, 60, 72), (1.2, 1.6, 2.0, 1.4), strict=True):
        pad = note(440 * 2 ** ((key - 69) / 12), 5.0, lead_seconds=0)
        swing = 1 + 0.3 * np.sin(2 * np.pi * 0.33 * np.arange(len(pad)) / RATE + phase)
        soundfile.write(folder / f"Tide {key}.wav", pad * swing[:, None], RATE, "PCM_24")
    full = build_instrument(folder, tmp_path / "full", settings=ONE)
    recipe = Recipe(budget=BudgetSettings(size="900 kB", lower_bits=False))
    small = build_instrument(folder, tmp_path / "small", recipe, ONE)

    def looped_db(out, manifest):
        levels = []
        for zone in manifest.zones:
            assert zone.loop is not None
            assert zone.envelope.decay_db_per_second is None
            sound = soundfile.read(out / zone.sample)[0]
            heard = sound[zone.loop.start_frame : zone.loop.end_frame]
            levels.append(10 * np.log10(np.mean(heard**2)) + zone.gain_db)
        return np.array(levels)

    lengths = [zone.loop.end_frame for zone in small.zones if zone.loop]
    assert max(lengths) < 2 * RATE  # otherwise nothing is shortened and nothing is shown
    change_db = looped_db(tmp_path / "small", small) - looped_db(tmp_path / "full", full)
    assert np.ptp(change_db) < 0.3


def test_layers_share_one_budget_and_all_keep_sounding(tmp_path):
    for layer in ("low", "high"):
        for key in KEYS:
            write_note(tmp_path / "in" / layer / f"Float {key}.wav", key)
    layers = (LayerSettings(folder="low"), LayerSettings(folder="high"))
    recipe = Recipe(layer=layers, budget=BudgetSettings(max_notes=5))
    manifest = build_instrument(tmp_path / "in", tmp_path / "out", recipe, ONE)
    assert len(manifest.notes) == 5
    for key in (48, 60, 67):
        sounding = [zone for zone in manifest.zones if zone.low_key <= key <= zone.high_key]
        assert len(sounding) == 2


def test_a_budget_that_holds_nothing_is_refused_and_leaves_nothing(tmp_path):
    write_note(tmp_path / "in" / "Float 60.wav", 60)
    recipe = Recipe(budget=BudgetSettings(size="1kB"))
    with pytest.raises(UsageError, match="cannot hold"):
        build_instrument(tmp_path / "in", tmp_path / "out", recipe, ONE)
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("size", ["", "MB", "-1MB", "32", "32 TB", "1e3MB"])
def test_what_is_no_size_is_refused(size):
    with pytest.raises(ValueError, match="is no size"):
        BudgetSettings(size=size)
