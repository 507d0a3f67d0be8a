"""The diagnosis drawn on the page of a build, from its manifest alone."""

import pytest
import soundfile

from keymapper import BuildSettings, Recipe, build_instrument
from keymapper.auditing.built_diagnosis import diagnosed_build
from keymapper.model.recipe import LayerSettings
from tests.simple_notes import RATE, note

ONE = BuildSettings(workers=1, prove=False, page=False)
KEYS = (48, 52, 55, 60, 64, 67)


def built(tmp_path, name, cents_of, recipe=None):
    """Build from notes that are so many cents sharp; `name` takes place and key."""
    (tmp_path / "in").mkdir()
    for place, key in enumerate(KEYS):
        sound = note(440 * 2 ** ((key - 69 + cents_of(place, key) / 100) / 12))
        path = tmp_path / "in" / name.format(place=place + 1, key=key)
        soundfile.write(path, sound, RATE, subtype="PCM_24")
    return build_instrument(tmp_path / "in", tmp_path / "out", recipe, ONE)


def test_a_set_that_is_sharp_as_a_whole(tmp_path):
    (found,) = diagnosed_build(built(tmp_path, "Skiff {key}.wav", lambda place, key: 7.0))
    assert found.middle_cents == pytest.approx(7.0, abs=0.1)
    assert found.advice == ()
    assert found.order_from == "none"


def test_numbers_that_count_give_the_order(tmp_path):
    drift = lambda place, key: -2.0 * place  # noqa: E731
    manifest = built(tmp_path, "Skiff {key} take{place}.wav", drift)
    (found,) = diagnosed_build(manifest)
    assert found.order_from == "numbers in names"
    assert [row.minutes for row in found.notes_table] == [0, 1, 2, 3, 4, 5]


def test_layers_tuned_apart_are_told_as_far_as_they_are_apart(tmp_path):
    (tmp_path / "in").mkdir()
    for key in KEYS:
        for velocity, cents, peak in ((40, -10.0, 0.1), (110, 10.0, 0.3)):
            sound = note(440 * 2 ** ((key - 69 + cents / 100) / 12), peak=peak)
            path = tmp_path / "in" / f"Skiff {key} v{velocity}.wav"
            soundfile.write(path, sound, RATE, subtype="PCM_24")
    (found,) = diagnosed_build(build_instrument(tmp_path / "in", tmp_path / "out", None, ONE))
    assert found.velocity_cents.value == pytest.approx(20.0, abs=0.5)
    assert "hard notes are 20." in found.sentence or "hard notes are 19." in found.sentence


def test_each_layer_is_judged_by_itself(tmp_path):
    for folder, cents in (("bass", 9.0), ("air", -6.0)):
        (tmp_path / "in" / folder).mkdir(parents=True)
        for key in KEYS:
            sound = note(440 * 2 ** ((key - 69 + cents / 100) / 12))
            path = tmp_path / "in" / folder / f"Skiff {key}.wav"
            soundfile.write(path, sound, RATE, subtype="PCM_24")
    recipe = Recipe(layer=(LayerSettings(folder="bass"), LayerSettings(folder="air")))
    found = diagnosed_build(build_instrument(tmp_path / "in", tmp_path / "out", recipe, ONE))
    assert [one.set_name for one in found] == ["bass", "air"]
    assert [one.middle_cents for one in found] == pytest.approx([9.0, -6.0], abs=0.2)
    assert all("all notes fit" in one.sentence for one in found)


def test_notes_that_scatter_do_not_all_fit(tmp_path):
    manifest = built(tmp_path, "Skiff {key}.wav", lambda place, key: 14.0 * (place % 2))
    (found,) = diagnosed_build(manifest)
    assert found.middle_cents == pytest.approx(7.0, abs=2.0)
    assert "single notes lie up to" in found.sentence


def test_one_shots_have_nothing_to_diagnose(tmp_path):
    manifest = built(tmp_path, "Skiff {key}.wav", lambda *_: 0.0, Recipe(layout="one-shots"))
    assert diagnosed_build(manifest) == ()
