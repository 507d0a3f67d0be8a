from dataclasses import replace

import pytest

from keymapper.mapping.assembling import assembled, resolved_layout
from keymapper.mapping.choking import choke_groups, first_word
from keymapper.mapping.naming import named_set
from keymapper.mapping.set_notes import SetNote
from keymapper.measuring.note import measured_note
from keymapper.model.recipe import ChokeGroup, NoteCorrection, OneShotSettings, Recipe
from tests.simple_notes import RATE, noise_hit, note

FILES = ["36 Hatch shut.wav", "37 Hatch open.wav", "kit/Hatch_half 2.wav", "Bell.wav", "808.wav"]


def test_shared_first_words_choke_each_other():
    assert choke_groups(FILES, range(5), "prefix", ()) == (1, 1, 1, 0, 0)


def test_stated_groups_come_first():
    stated = (ChokeGroup(name="metal", files=("Bell.wav", "36 Hatch shut.wav")),)
    assert choke_groups(FILES, range(5), "prefix", stated) == (1, 2, 2, 1, 0)


def test_all_or_none():
    assert choke_groups(FILES, range(5), "all", ()) == (1,) * 5
    assert choke_groups(FILES, range(5), "none", ()) == (0,) * 5


def test_first_words_are_the_names_own():
    assert [first_word(file) for file in FILES] == ["hatch", "hatch", "hatch", "bell", ""]


def test_hits_of_one_drum_do_not_share_a_word_with_another():
    files = ["thud soft.wav", "thud hard.wav", "bell 1.wav", "bell 2.wav"]
    assert choke_groups(files, (0, 0, 1, 2), "prefix", ()) == (0, 0, 1, 1)


MEASUREMENT = measured_note(noise_hit(), RATE, reference_hz=440.0)


def set_notes(files, stored=None, corrections=()):
    measurements = [MEASUREMENT] * len(files)
    named = named_set(files, measurements, "one-shots")
    by_file = {correction.file: correction for correction in corrections}
    return [
        SetNote(
            file=file,
            measurement=MEASUREMENT,
            hints=hints,
            sound=sound,
            stored_key=key,
            correction=by_file.get(file),
        )
        for file, hints, sound, key in zip(
            files, named.hints, named.sounds, stored or [None] * len(files), strict=True
        )
    ]


def laid(files, recipe=None, stored=None):
    recipe = recipe or Recipe()
    notes = set_notes(files, stored, recipe.note)
    assembly = assembled(notes, "one-shots", recipe)
    keys = [
        (files[placed.note], placed.place.low_key, placed.place.low_velocity)
        for placed in assembly.placed
    ]
    return keys, assembly


def test_hits_named_by_key_velocity_and_repeat_share_their_key():
    files = [f"{key} v{v} rr{turn}.wav" for key in (36, 42) for v in (40, 127) for turn in (1, 2)]
    keys, assembly = laid(files)
    assert keys == [
        (file, key, low)
        for file, key, low in zip(files, [36] * 4 + [42] * 4, [1, 1, 84, 84] * 2, strict=True)
    ]
    assert [placed.place.round_robin for placed in assembly.placed] == [1, 2] * 4
    assert {placed.decision.decided_by for placed in assembly.placed} == {"name"}


def test_hits_named_by_drum_and_dynamics_share_a_free_key():
    keys, _ = laid(["bell_hard.wav", "bell_soft.wav", "thud_hard.wav", "thud_soft.wav"])
    assert keys == [
        ("bell_soft.wav", 36, 1),
        ("bell_hard.wav", 36, 81),
        ("thud_soft.wav", 37, 1),
        ("thud_hard.wav", 37, 81),
    ]


def test_keys_that_come_back_with_every_sound_are_none_to_lie_on():
    keys, _ = laid(["Thud A1.wav", "Thud A2.wav", "Bell A1.wav", "Bell A2.wav"])
    assert [key for _, key, _ in keys] == [36, 37, 38, 39]


def test_recipe_roots_are_keys_to_lie_on_and_the_others_take_free_ones():
    files = ["bell.wav", "tick.wav", "thud_soft.wav", "thud_hard.wav"]
    note = (
        NoteCorrection(file="tick.wav", root=37, tuning_cents=30.0, velocity=90),
        NoteCorrection(file="thud_hard.wav", root="C3"),
    )
    keys, assembly = laid(files, Recipe(note=note))
    assert [(file, key) for file, key, _ in keys] == [
        ("bell.wav", 36),
        ("tick.wav", 37),
        ("thud_soft.wav", 48),
        ("thud_hard.wav", 48),
    ]
    decisions = [placed.decision for placed in assembly.placed]
    assert [one.tuning_cents for one in decisions] == [0.0, 30.0, 0.0, 0.0]
    assert decisions[1].velocity == 90
    assert [one.decided_by for one in decisions] == ["order", "recipe", "recipe", "recipe"]


def test_recipe_roots_make_no_keyboard_of_hits():
    note = tuple(NoteCorrection(file=f"{i}.wav", root=36 + i) for i in range(3))
    files = [correction.file for correction in note]
    assert resolved_layout(files, [MEASUREMENT] * 3, Recipe(note=note)) == "one-shots"


def pitched(key, seconds=0.15):
    tone = note(440 * 2 ** ((key - 69) / 12), 1.0, decay_seconds=seconds)
    return measured_note(tone, RATE, reference_hz=440.0)


HITS = [pitched(33), pitched(54), pitched(43), MEASUREMENT]


@pytest.mark.parametrize(
    ("names", "sounds", "layout"),
    [
        ("36_Thud 38_Bell 45_Barrel 42_Tick", HITS, "one-shots"),
        ("33_Thud 54_Bell 43_Barrel 42_Tick", HITS, "keys"),
        ("36_Thud 38_Bell 45_Barrel Tick", HITS, "keys"),
        ("36_Thud 38_Bell 45_Barrel 40_Thud 41_Bell", [*HITS[:3], *HITS[:2]], "keys"),
        ("30_Pluck 60_Pluck 90_Pluck 30_Tick", [*[HITS[1]] * 3, MEASUREMENT], "keys"),
    ],
)
def test_hits_that_do_not_sound_the_keys_in_their_names_are_drums(names, sounds, layout):
    files = [f"{name}.wav" for name in names.split()]
    assert resolved_layout(files, sounds, Recipe()) == layout


def chord(key):
    tones = [440 * 2 ** ((key + interval - 69) / 12) for interval in (0, 7, 12)]
    sound = sum(note(hz, 1.0, decay_seconds=0.15) for hz in tones) / 3
    return replace(measured_note(sound, RATE, reference_hz=440.0), pitch=doubtful_pitch(key))


def doubtful_pitch(key):
    return replace(pitched(key).pitch, pitch_confidence=0.7, doubtful=True, doubts=("unsure-key",))


@pytest.mark.parametrize(
    ("names", "layout"),
    [
        ("stab_c3 stab_e3 stab_gs3 stab_c4", "keys"),
        ("stab_c3 stab_e3 stab_gs3 stab_a4", "keys"),
        ("stab_d3 stab_f3 stab_a3 stab_c5", "one-shots"),
        ("bang boom crash stab", "one-shots"),
    ],
)
def test_chords_that_sound_the_keys_in_their_names_lie_on_the_keyboard(names, layout):
    files = [f"{name}.wav" for name in names.split()]
    sounds = [chord(key) for key in (48, 52, 56, 60)]
    assert resolved_layout(files, sounds, Recipe()) == layout


def test_stored_roots_are_believed_where_every_drum_has_its_own():
    files = ["bell.wav", "thud.wav", "tick.wav"]
    keys, assembly = laid(files, stored=[50, 40, 44])
    assert [key for _, key, _ in keys] == [40, 44, 50]
    assert {placed.decision.decided_by for placed in assembly.placed} == {"file"}
    assert [key for _, key, _ in laid(files, stored=[40, 40, 44])[0]] == [36, 37, 38]
    assert [key for _, key, _ in laid(files, stored=[40, None, 44])[0]] == [36, 37, 38]


@pytest.mark.parametrize(
    ("count", "settings", "first", "dropped"),
    [
        (92, OneShotSettings(), 36, 0),
        (120, OneShotSettings(), 8, 0),
        (130, OneShotSettings(), 0, 2),
        (120, OneShotSettings(base_key=36), 36, 28),
        (60, OneShotSettings(reversed_copies=True), 8, 0),
    ],
)
def test_keys_begin_so_low_that_all_fit_unless_the_recipe_says_where(
    count, settings, first, dropped
):
    files = [f"hit{number}.wav" for number in range(1, count + 1)]
    keys, assembly = laid(files, Recipe(one_shots=settings))
    assert keys[0] == ("hit1.wav", first, 1)
    assert len(assembly.skipped) == dropped
    if dropped:
        advice = "lower base_key" if settings.base_key else "make two instruments"
        assert advice in assembly.skipped[0].reason


def test_free_keys_reach_down_around_those_the_recipe_took():
    files = [f"hit{number}.wav" for number in range(1, 101)]
    note = (NoteCorrection(file="hit1.wav", root=127),)
    keys, assembly = laid(files, Recipe(note=note))
    assert (keys[0][1:], keys[-1][:2]) == ((28, 1), ("hit1.wav", 127))
    assert assembly.skipped == ()


def test_a_drum_with_one_layer_beside_others_with_more_plays_as_recorded():
    hard = replace(MEASUREMENT, levels=replace(MEASUREMENT.levels, body_dbfs=-12.0))
    notes = set_notes(["thud_soft.wav", "thud_hard.wav", "bell.wav"])
    notes[1] = replace(notes[1], measurement=hard)
    placed = assembled(notes, "one-shots", Recipe()).placed
    tracking = {notes[one.note].file: one.velocity_tracking for one in placed}
    assert tracking == {
        "thud_soft.wav": "curve",
        "thud_hard.wav": "curve",
        "bell.wav": "square",
    }
    assert {one.gain_db for one in placed} == {0.0}
