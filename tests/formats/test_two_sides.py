import numpy as np
import pytest
import soundfile

from keymapper import BuildSettings, Recipe, build_instrument
from keymapper.errors import InputError
from keymapper.formats.two_sides import AudioPlace, read_place, right_sides
from keymapper.model.recipe import NoteCorrection
from tests.simple_notes import RATE, note


def write(path, frames=4800, channels=1, seed=0):
    noise = np.random.default_rng(seed).normal(0, 0.1, (frames, channels))
    soundfile.write(path, noise, RATE, subtype="PCM_24")


@pytest.mark.parametrize(
    ("left", "right"),
    [
        ("Reed C3 L.wav", "Reed C3 R.wav"),
        ("Reed_C3_left.wav", "Reed_C3_right.wav"),
        ("C3.L.wav", "C3.R.wav"),
        ("C3 (L).wav", "C3 (R).wav"),
        ("C3-l.WAV", "C3-R.wav"),
    ],
)
def test_names_that_differ_in_their_side_are_one_recording(tmp_path, left, right):
    write(tmp_path / left)
    write(tmp_path / right, seed=1)
    assert right_sides(tmp_path, [left, right]) == {left: right}
    both = read_place(AudioPlace(path=tmp_path / left, right=tmp_path / right))
    assert both.samples.shape == (4800, 2)
    assert both.info.channels == 2
    for side, file in enumerate((left, right)):
        assert np.array_equal(both.samples[:, side], soundfile.read(tmp_path / file)[0])


@pytest.mark.parametrize("other", [{"frames": 4801}, {"channels": 2}])
def test_files_that_do_not_fit_are_no_sides(tmp_path, other):
    write(tmp_path / "C3 L.wav")
    write(tmp_path / "C3 R.wav", **other)
    assert right_sides(tmp_path, ["C3 L.wav", "C3 R.wav"]) == {}
    with pytest.raises(InputError, match=r"C3 R\.wav: does not fit its left side"):
        read_place(AudioPlace(path=tmp_path / "C3 L.wav", right=tmp_path / "C3 R.wav"))


def test_lone_sides_and_other_words_stay_what_they_are(tmp_path):
    names = ["C3 L.wav", "Bell.wav", "Ber.wav", "hill.wav", "hilr.wav"]
    for name in names:
        write(tmp_path / name)
    assert right_sides(tmp_path, names) == {}


def test_two_sides_are_built_as_one_stereo_note(tmp_path):
    (tmp_path / "in").mkdir()
    for side, gain in (("L", 1.0), ("R", 0.5)):
        soundfile.write(
            tmp_path / "in" / f"Reed C4 {side}.wav", gain * note(261.63), RATE, "PCM_24"
        )
    settings = BuildSettings(workers=1, prove=False, page=False)
    manifest = build_instrument(tmp_path / "in", tmp_path / "out", settings=settings)
    assert [one.reason for one in manifest.skipped] == ["the right side of Reed C4 L.wav"]
    (zone,) = manifest.zones
    samples, _ = soundfile.read(tmp_path / "out" / zone.sample)
    assert samples.shape[1] == 2
    assert np.abs(samples[:, 1]).max() == pytest.approx(0.5 * np.abs(samples[:, 0]).max(), rel=0.01)


def test_a_recipe_that_decides_about_a_right_side_is_refused(tmp_path):
    (tmp_path / "in").mkdir()
    for side in "LR":
        soundfile.write(tmp_path / "in" / f"Reed C4 {side}.wav", note(261.63), RATE, "PCM_24")
    recipe = Recipe(note=(NoteCorrection(file="Reed C4 R.wav", skip=True),))
    with pytest.raises(InputError, match=r"names 'Reed C4 R\.wav', the right side of"):
        build_instrument(tmp_path / "in", tmp_path / "out", recipe)
