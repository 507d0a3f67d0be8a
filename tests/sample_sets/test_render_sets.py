"""The demo recordings are what their script renders, small enough, and their truth is whole."""

from __future__ import annotations

import importlib
import json
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
import soundfile

SAMPLE_SETS = Path(__file__).parents[2] / "sample_sets"
LARGEST_BYTES = 15_000_000
SET_NAMES = ("harbour-pad", "quay-bass", "rope-pluck", "dock-hits")


@pytest.fixture(scope="module")
def render_sets() -> ModuleType:
    sys.path.insert(0, str(SAMPLE_SETS))
    try:
        return importlib.import_module("render_sets")
    finally:
        sys.path.remove(str(SAMPLE_SETS))


def _truth() -> dict[str, Any]:
    truth: dict[str, Any] = json.loads((SAMPLE_SETS / "truth.json").read_text(encoding="utf-8"))
    return truth


TRUTH = _truth()
NOTES = [note for sample_set in TRUTH["sets"] for note in sample_set["notes"]]


@pytest.mark.parametrize("folder", SET_NAMES)
def test_the_last_note_of_a_set_renders_to_the_same_bytes(
    render_sets: ModuleType, folder: str, tmp_path: Path
) -> None:
    (sample_set,) = (each for each in render_sets.SETS if each.folder == folder)
    note = list(render_sets.notes_of(sample_set))[-1]
    truth = render_sets.render_note(sample_set, note, tmp_path)
    kept = SAMPLE_SETS / truth["file"]
    assert np.array_equal(
        soundfile.read(tmp_path / truth["file"], dtype="int16")[0],
        soundfile.read(kept, dtype="int16")[0],
    )
    assert truth in NOTES
    if soundfile.__libsndfile_version__ == TRUTH["encoder"]:
        assert (tmp_path / truth["file"]).read_bytes() == kept.read_bytes()


def test_all_sets_stay_small() -> None:
    recordings = list(SAMPLE_SETS.glob("*/*.flac"))
    assert 0 < sum(path.stat().st_size for path in recordings) < LARGEST_BYTES


def test_truth_tells_of_every_recording_and_of_no_other() -> None:
    assert tuple(sample_set["folder"] for sample_set in TRUTH["sets"]) == SET_NAMES
    told = [note["file"] for note in NOTES]
    lie_there = [
        path.relative_to(SAMPLE_SETS).as_posix()
        for name in SET_NAMES
        for path in (SAMPLE_SETS / name).iterdir()
    ]
    assert sorted(told) == sorted(lie_there)


@pytest.mark.parametrize("note", NOTES, ids=lambda note: note["file"])
def test_truth_fits_the_file(note: dict[str, Any]) -> None:
    info = soundfile.info(SAMPLE_SETS / note["file"])
    assert (info.subtype, info.frames, info.channels, info.samplerate) == (
        "PCM_16",
        note["frames"],
        note["channels"],
        note["sample_rate_hz"],
    )
    start, end = note["steady_frames"]
    assert 0 < note["onset_frame"] <= start < end <= note["frames"]
    assert 0 <= note["key"] <= 127
    assert 1 <= note["velocity"] <= 127
    assert (note["tuning_cents"] is None) == note["one_shot"]
    if note["sustains"]:
        assert note["note_off_frame"] == end
        assert end - start >= 3 * note["sample_rate_hz"]
    else:
        assert note["note_off_frame"] is None


@pytest.mark.parametrize("note", NOTES, ids=lambda note: note["file"])
def test_sound_starts_where_truth_says_over_noise_and_dc(note: dict[str, Any]) -> None:
    samples, rate_hz = soundfile.read(SAMPLE_SETS / note["file"], always_2d=True)
    head = samples[: note["onset_frame"]]
    noise = head - head.mean(axis=0)
    assert head.mean(axis=0) == pytest.approx(note["dc"], abs=1e-4)
    assert 0 < np.abs(noise).max() < 1e-3
    half_a_second = samples[note["onset_frame"] :][: rate_hz // 2]
    assert np.abs(half_a_second).max() > 0.05
    assert np.abs(samples).max() == pytest.approx(10 ** (note["peak_dbfs"] / 20), abs=1e-3)
    assert np.array_equal(samples[:, 0], samples[:, -1]) == (
        note["channels_equal"] or note["channels"] == 1
    )


@pytest.mark.parametrize(
    "note", [note for note in NOTES if note["tuning_cents"] is not None], ids=lambda n: n["file"]
)
def test_sound_is_in_the_key_that_truth_says(note: dict[str, Any]) -> None:
    """Autocorrelation at the period the truth says beats the octaves and neighbours of it."""
    samples, rate_hz = soundfile.read(SAMPLE_SETS / note["file"], always_2d=True)
    steady = samples[slice(*note["steady_frames"]), 0]
    spectrum = np.abs(np.fft.rfft(steady - steady.mean(), 2 * len(steady))) ** 2
    likeness = np.fft.irfft(spectrum)
    hz = 440.0 * 2.0 ** ((note["key"] - 69 + note["tuning_cents"] / 100) / 12)
    lags = np.arange(2, len(steady) // 4)
    period = rate_hz / hz

    def near(lag: float) -> float:
        return float(np.interp(lag, lags, likeness[lags]))

    others = [near(period * 2.0 ** (step / 12)) for step in (-12, -1, 1)]
    assert near(period) > max(others)
