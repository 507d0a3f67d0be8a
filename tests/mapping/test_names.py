"""Single habits of naming, and what happens where names are unclear or disagree with the sound."""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import pytest

from keymapper.mapping.names import MeasuredHint, SetHints, hints_from_names

SAMPLE_SETS = Path(__file__).parents[2] / "sample_sets"


def heard(*keys: float | None, confidence: float = 0.97) -> list[MeasuredHint | None]:
    return [
        None
        if key is None
        else MeasuredHint(
            root_key=round(key), confidence=confidence, tuning_cents=100 * (key - round(key))
        )
        for key in keys
    ]


def unheard(names: Sequence[str]) -> SetHints:
    return hints_from_names(names, [None] * len(names))


def keys(hints: SetHints) -> list[int | None]:
    return [note.key for note in hints.notes]


GERMAN = ("C3", "Cis3", "Des3", "Es3", "E3", "As3", "B3", "H3")


def test_german_names_call_a_tone_below_c_b() -> None:
    names = [f"Bach_{name}.wav" for name in GERMAN]
    assert keys(unheard(names)) == [48, 49, 49, 51, 52, 56, 58, 59]
    sounding = heard(48, 49, 49, 51, 52, 56, 58, 59)
    assert hints_from_names(names, sounding).contradictions == ()


@pytest.mark.parametrize(
    "names",
    [
        "Basse Do2|Basse Do#2|Basse Mib2|Basse Sol2|Basse Si2",
        "coro_do2_f|coro_dos2_f|coro_mib2_f|coro_sol2_f|coro_si2_f",
        "PadDo2|PadRé♭2|PadMi♭2|PadSol2|PadSi2",
        "Chœur DO 2|Chœur DO dièse 2|Chœur MI bémol 2|Chœur SOL 2|Chœur SI 2",
        "Coro_Do_2|Coro_Do_diesis_2|Coro_Mi_bemolle_2|Coro_Sol_2|Coro_Si_2",
    ],
)
def test_notes_may_be_named_by_syllables(names: str) -> None:
    files = [f"{name}.wav" for name in names.split("|")]
    assert keys(unheard(files)) == [36, 37, 39, 43, 47]
    hints = hints_from_names(files, heard(48, 49, 51, 55, 59))
    assert keys(hints) == [48, 49, 51, 55, 59]
    assert hints.middle_c_octave == 3


def test_syllables_that_are_words_give_way_to_letters_and_numbers() -> None:
    names = ["Sol 1_C3.wav", "Sol 2_D3.wav", "Sol 3_E3.wav"]
    assert keys(hints_from_names(names, heard(48, 50, 52))) == [48, 50, 52]
    assert keys(unheard(["La 1.wav", "La 2.wav"])) == [None, None]
    assert keys(hints_from_names(["La 1.wav", "La 2.wav"], heard(50, 62)))[0] != 33


def test_initials_that_look_like_a_dynamic_give_way_to_velocities() -> None:
    notes = [(key, velocity) for key in (48, 52, 55) for velocity in (40, 80, 120)]
    files = [f"PP_{key}_{velocity:03}.wav" for key, velocity in notes]
    sounding = [
        MeasuredHint(root_key=key, confidence=0.99, level_db=velocity / 10 - 20)
        for key, velocity in notes
    ]
    assert [hint.velocity for hint in hints_from_names(files, sounding).notes] == [40, 80, 120] * 3
    alone = unheard(["PP_C3_1.wav", "PP_C3_2.wav", "PP_E3_1.wav", "PP_E3_2.wav"])
    assert [hint.velocity for hint in alone.notes] == [32] * 4


def test_a_dash_in_the_place_of_a_sharp_is_no_minus() -> None:
    assert keys(unheard(["C-1.wav", "C#1.wav", "D-1.wav", "F#2.wav"])) == [24, 25, 26, 42]
    assert keys(unheard(["C-1.wav", "C#1.wav", "D1.wav", "F#2.wav"])) == [0, 25, 26, 42]


def test_the_sound_tells_a_minus_from_the_place_of_a_sharp() -> None:
    names = ["B-1.wav", "F#0.wav", "C#1.wav", "G#1.wav", "D#2.wav"]
    assert keys(hints_from_names(names, heard(23, 30, 37, 44, 51))) == [23, 30, 37, 44, 51]
    assert keys(hints_from_names(names, heard(35, 18, 25, 32, 39))) == [35, 18, 25, 32, 39]


def test_an_h_is_a_note_only_where_the_sound_says_so() -> None:
    names = ["Bach_A3.wav", "Bach_B3.wav", "Bach_H3.wav"]
    assert keys(unheard(names)) == [57, 59, None]
    assert keys(hints_from_names(names, heard(57, 58, 59))) == [57, 58, 59]
    assert keys(hints_from_names(names, heard(57, 59, 64)))[1] == 59


@pytest.mark.parametrize(
    ("name", "key"),
    [
        ("C#3", 49),
        ("Cs3", 49),
        ("Db3", 49),
        ("c-1", 0),
        ("C♯3", 49),
        ("D♭3", 49),
        ("cs3", 49),
        ("DB3", 49),
        ("C sharp 3".replace(" ", ""), 49),
        ("Dflat3", 49),
        ("g9", 127),
        ("Bs2", 48),
        ("Cb4", 59),
        ("C03", 48),
        ("C＃3", 49),
        ("HarbourPadC3", 48),
        ("HarbourPadEb3Soft", 51),
        ("钢琴C3", 48),
        ("БасC3", 48),
        (unicodedata.normalize("NFD", "été C3"), 48),
        ("Bass2_A1", 33),
        ("Pad C 3", 48),
        ("Pad_C#_3", 49),
        ("C−1", 0),
        ("v100/C3", 48),
        ("C3/v100", 48),
        ("a\nb C3", 48),
    ],
)
@pytest.mark.parametrize("extension", [".wav", ".AIF", ""])
def test_a_note_name_alone(name: str, key: int, extension: str) -> None:
    assert keys(unheard([name + extension])) == [key]


@pytest.mark.parametrize(
    "name", ["Bass2.wav", "Patch 12.wav", "Cello3.wav", "E128.wav", "Grab3.wav", "", "mp3.mp3"]
)
def test_words_and_numbers_that_are_no_notes(name: str) -> None:
    assert keys(unheard([name])) == [None]


def test_octaves_below_zero_are_no_separators_where_others_have_none() -> None:
    assert keys(unheard(["C-1", "C0", "C1"])) == [0, 12, 24]


def test_a_dash_before_every_octave_is_a_separator() -> None:
    assert keys(unheard(["Pad-C-1", "Pad-C-2", "Pad-C-3"])) == [24, 36, 48]
    assert keys(hints_from_names(["C-1", "C-2"], heard(24, 36))) == [24, 36]


@pytest.mark.parametrize(("sounding", "octave"), [(60, 4), (72, 3), (48, 5)])
def test_the_sound_tells_the_octave_convention(sounding: int, octave: int) -> None:
    hints = hints_from_names(["C4", "E4", "G4"], heard(sounding, sounding + 4, sounding + 7))
    assert hints.middle_c_octave == octave
    assert keys(hints) == [sounding, sounding + 4, sounding + 7]
    assert hints.offset_semitones == 0


@pytest.mark.parametrize(("sounding", "octave"), [(72, 3), (60, 4), (48, 4)])
def test_unsure_sounds_tell_usual_conventions_alone(sounding: int, octave: int) -> None:
    sounds = heard(sounding, sounding + 4, sounding + 7, confidence=0.64)
    assert hints_from_names(["C4", "E4", "G4"], sounds).middle_c_octave == octave


def test_the_range_tells_the_octave_convention_without_sound() -> None:
    hints = unheard(["C-2", "C3", "G8"])
    assert (hints.middle_c_octave, keys(hints)) == (3, [0, 60, 127])


def test_numbers_beside_the_names_tell_the_octave_convention() -> None:
    """Then what is left between names and sound is a fact of the patch."""
    names = ["Pad_C3_060.wav", "Pad_E3_064.wav", "Pad_G3_067.wav"]
    hints = hints_from_names(names, heard(48, 52, 55))
    assert (hints.middle_c_octave, hints.offset_semitones) == (3, -12)
    assert keys(hints) == [60, 64, 67]
    assert hints.contradictions == ()


def test_an_offset_of_the_set_is_one_fact() -> None:
    hints = hints_from_names(["48", "50", "52", "53"], heard(36, 38, 40, 41))
    assert hints.offset_semitones == -12
    assert hints.contradictions == ()
    assert any("1 octave(s) below" in fact for fact in hints.facts)


def test_a_patch_tuned_to_a_fifth_is_one_fact() -> None:
    hints = hints_from_names(["C3", "D3", "E3", "F3"], heard(55, 57, 59, 60))
    assert hints.offset_semitones == 7
    assert hints.contradictions == ()


def test_a_note_out_of_tune_is_not_odd() -> None:
    hints = hints_from_names(["C3", "D3", "E3"], heard(48.45, 50.55, 51.6))
    assert hints.contradictions == ()


def test_a_doubtful_pitch_is_reported_but_the_name_still_hints() -> None:
    measured = [*heard(48, 50, 52), *heard(65, confidence=0.7)]
    hints = hints_from_names(["C3", "D3", "E3", "F3"], measured)
    (found,) = hints.contradictions
    assert (found.index, found.is_certain) == (3, False)
    assert keys(hints) == [48, 50, 52, 53]


def test_a_single_wrong_name_is_reported() -> None:
    hints = hints_from_names(["C3.wav"], heard(55))
    assert keys(hints) == [None]
    assert [(c.named, c.measured) for c in hints.contradictions] == [(48, 55)]


def test_names_most_of_which_are_wrong_are_one_fact() -> None:
    hints = hints_from_names([f"take a{n}" for n in range(1, 7)], heard(50, 41, 60, 39, 71, 44))
    assert keys(hints) == [None] * 6
    assert hints.contradictions == ()
    assert "not believed" in hints.facts[0]


def test_the_sound_decides_which_number_is_the_key() -> None:
    names = [f"{velocity:03d}_{key:03d}" for key in (60, 64, 67) for velocity in (62, 100, 127)]
    hints = hints_from_names(names, heard(*[key for key in (60, 64, 67) for _ in range(3)]))
    assert keys(hints) == [60] * 3 + [64] * 3 + [67] * 3
    assert [note.velocity for note in hints.notes] == [62, 100, 127] * 3


def test_numbers_place_sounds_without_a_pitch() -> None:
    names = ["36 Bollard Thud", "38 Hatch Slam", "42 Rivet Tick", "49 Buoy Bell"]
    hints = hints_from_names(names, heard(31, None, None, None))
    assert keys(hints) == [36, 38, 42, 49]
    assert hints.contradictions == ()
    assert hints.offset_semitones is None


def test_velocities_of_hits_are_no_keys() -> None:
    hints = unheard(["thud 064", "thud 127", "bell 064", "bell 127"])
    assert [note.velocity for note in hints.notes] == [64, 127, 64, 127]
    assert keys(hints) == [None] * 4


def test_numbers_alone_tell_hits_apart() -> None:
    hints = unheard(["thud_1", "thud_2", "bell_1", "bell_2", "bell_3"])
    assert [note.round_robin for note in hints.notes] == [None] * 5
    assert len({note.sound for note in hints.notes}) == 5
    assert unheard([f"hit{n}" for n in range(1, 31)]).facts == ()


def test_repeats_of_hits() -> None:
    hints = unheard(["thud_rr1", "thud_rr2", "bell_rr1", "bell_rr2", "bell_rr3"])
    assert [note.round_robin for note in hints.notes] == [1, 2, 1, 2, 3]
    assert [note.sound for note in hints.notes] == ["thud"] * 2 + ["bell"] * 3


def test_hits_of_one_drum_are_one_sound() -> None:
    names = [
        f"kit/{drum} {how}_{n}"
        for drum in ("36 Thud", "40 Big Bell")
        for how in ("soft", "hard")
        for n in (1, 2)
    ]
    hints = unheard(names)
    assert [note.sound for note in hints.notes] == ["kit thud"] * 4 + ["kit big bell"] * 4
    assert [note.velocity for note in hints.notes] == [48, 48, 112, 112] * 2
    assert [note.round_robin for note in hints.notes] == [1, 2] * 4
    assert keys(hints) == [36] * 4 + [40] * 4


def test_mid_is_a_dynamic_among_others_and_else_a_drum() -> None:
    names = [f"tom_{how}" for how in ("soft", "mid", "hard")]
    names += [f"tom_mid_{how}" for how in ("soft", "mid", "hard")]
    hints = unheard(names)
    assert [note.velocity for note in hints.notes] == [48, 80, 112] * 2
    assert len({note.sound for note in hints.notes}) == 2
    drums = unheard(["tom_low", "tom_mid", "tom_high", "thud"])
    assert [note.velocity for note in drums.notes] == [None] * 4
    assert len({note.sound for note in drums.notes}) == 4


def test_very_strengthens_a_dynamic() -> None:
    how = ("very soft", "soft", "medium", "hard", "Very Hard")
    hints = hints_from_names([f"Tine C3 {one}" for one in how], heard(*[48] * 5))
    assert [note.velocity for note in hints.notes] == [16, 48, 80, 112, 127]
    drums = unheard([f"very big {one}" for one in ("thud", "bell")])
    assert len({note.sound for note in drums.notes}) == 2


def test_a_counter_is_no_repeat() -> None:
    hints = hints_from_names([f"Pad {n}" for n in range(1, 6)], heard(40, 45, 50, 55, 60))
    assert [note.round_robin for note in hints.notes] == [None] * 5
    assert unheard([f"Pad {n}" for n in range(1, 6)]).notes == hints.notes


@pytest.mark.parametrize("second", ["C3_2", "C3 (2)", "C3_1"])
def test_the_first_of_two_repeats_may_have_no_number(second: str) -> None:
    hints = unheard(["C3", second, "D3", second.replace("C", "D")])
    assert [note.round_robin for note in hints.notes] == [1, 2, 1, 2]


@pytest.mark.parametrize(("loudest", "expected"), [(3, [42, 85, 127]), (1, [127, 85, 42])])
def test_small_numbers_that_grow_louder_are_layers(loudest: int, expected: list[int]) -> None:
    names = [f"{note}_{layer}" for note in ("C3", "D3", "E3") for layer in (1, 2, 3)]
    measured: list[MeasuredHint | None] = [
        MeasuredHint(root_key=key, confidence=1.0, level_db=-10.0 - 6.0 * abs(layer - loudest))
        for key in (48, 50, 52)
        for layer in (1, 2, 3)
    ]
    hints = hints_from_names(names, measured)
    assert [note.velocity for note in hints.notes] == expected * 3
    assert [note.round_robin for note in hints.notes] == [None] * 9


def test_numbered_layers_spread_over_the_velocities() -> None:
    hints = unheard([f"{note}_v{layer}" for note in ("C3", "D3") for layer in (1, 2, 3, 4)])
    assert [note.velocity for note in hints.notes] == [32, 64, 95, 127] * 2


def test_a_version_number_is_no_velocity() -> None:
    assert [n.velocity for n in unheard(["Pad v2 C3", "Pad v2 D3"]).notes] == [None, None]


def test_a_velocity_that_contradicts_the_level_is_reported() -> None:
    names = [f"{note}_v{velocity}" for note in ("C3", "D3", "E3") for velocity in (40, 120)]
    levels_db = [-30, -12, -31, -12, -12, -30]
    measured: list[MeasuredHint | None] = [
        MeasuredHint(root_key=key, confidence=1.0, level_db=level_db)
        for key, level_db in zip((48, 48, 50, 50, 52, 52), levels_db, strict=True)
    ]
    hints = hints_from_names(names, measured)
    assert [(c.kind, c.index, c.named) for c in hints.contradictions] == [
        ("velocity", 4, 40),
        ("velocity", 5, 120),
    ]
    assert [note.velocity for note in hints.notes] == [40, 120, 40, 120, None, None]


def test_release_notes_in_words_and_folders() -> None:
    names = ["C3", "C3 rel", "C3_NoteOff", "C3 note off", "Release/C3", "release/sub/C3"]
    assert [n.is_release for n in unheard(names).notes] == [False] + [True] * 5
    assert [n.is_release for n in unheard(["Release Me C3", "Release Me D3"]).notes] == [False] * 2


def test_the_pitch_of_release_noises_says_nothing_of_their_keys() -> None:
    names = [f"organ {note}{what}" for note in ("C3", "E3", "G3") for what in ("", " release")]
    measured: list[MeasuredHint | None] = [
        MeasuredHint(root_key=key, confidence=1.0) for key in (48, 77, 52, 77, 55, 77)
    ]
    hints = hints_from_names(names, measured)
    assert [note.key for note in hints.notes] == [48, 48, 52, 52, 55, 55]
    assert hints.contradictions == ()


def test_a_release_that_alone_has_not_the_pitch_of_its_key_is_named_wrongly() -> None:
    names = [f"organ {note}{what}" for note in ("C3", "E3", "G3") for what in ("", " release")]
    measured: list[MeasuredHint | None] = [
        MeasuredHint(root_key=key, confidence=1.0) for key in (48, 48, 52, 53, 55, 55)
    ]
    hints = hints_from_names(names, measured)
    assert [note.key for note in hints.notes] == [48, 48, 52, None, 55, 55]
    assert [one.index for one in hints.contradictions] == [3]


def test_no_names_give_no_hints() -> None:
    assert unheard([]).notes == ()
    with pytest.raises(ValueError, match="1 names but 0 measurements"):
        hints_from_names(["C3"], [])


def test_the_demo_sets_are_read_as_their_truth_says() -> None:
    truth = json.loads((SAMPLE_SETS / "truth.json").read_text(encoding="utf-8"))
    for sample_set in truth["sets"]:
        notes = sample_set["notes"]
        measured = heard(*[None if n["one_shot"] else n["key"] for n in notes])
        hints = hints_from_names([note["file"] for note in notes], measured)
        assert keys(hints) == [note["key"] for note in notes]
        assert hints.contradictions == ()
        for note, hint in zip(notes, hints.notes, strict=True):
            assert hint.velocity in (None, note["velocity"])
            assert (hint.round_robin or 1) == note["round_robin"]
        if sample_set["folder"] == "quay-bass":
            assert {hint.velocity for hint in hints.notes} == {48, 112}


RANGE_STYLES = (
    "Pad {key} v{low}-{high}",
    "{key}_{low:03}_{high:03} Pad",
    "lo{low} hi{high} {key}",
    "Pad-{key}-vel{low}-vel{high}-rr{turn}",
    "{low} to {high}/Pad {key} {turn}",
)


@pytest.mark.parametrize("style", RANGE_STYLES)
@pytest.mark.parametrize("edges", [(0, 64, 128), (1, 21, 40, 100, 128), (1, 2, 128)])
@pytest.mark.parametrize("key_names", [("C2", "G2", "C3"), ("036", "043", "048")])
def test_pairs_of_numbers_that_share_out_all_velocities_are_ranges(
    style: str, edges: tuple[int, ...], key_names: tuple[str, ...]
) -> None:
    ranges = [(low, above - 1) for low, above in pairwise(edges)]
    turns = (1, 2) if "{turn}" in style else (1,)
    told = [
        (style.format(key=name, low=low, high=high, turn=turn), key, high, turn)
        for name, key in zip(key_names, (36, 43, 48), strict=True)
        for low, high in ranges
        for turn in turns
    ]
    hints = hints_from_names([name for name, *_ in told], heard(*(key for _, key, *_ in told)))
    assert hints.are_velocity_ranges
    assert [(note.key, note.velocity) for note in hints.notes] == [one[1:3] for one in told]
    assert {note.round_robin for note in hints.notes} == ({1, 2} if len(turns) > 1 else {None})
    assert len({note.sound for note in hints.notes}) == 1


@pytest.mark.parametrize(
    "pairs",
    [
        ["1-60", "64-127"],  # a gap
        ["1-70", "64-127"],  # an overlap
        ["1-63", "64-120"],  # not to the top
        ["5-63", "64-127"],  # not from the bottom
        ["0-0", "1-127"],  # no key is struck with 0
        ["1-127"],
        ["63-1", "127-64"],
    ],
)
def test_other_pairs_of_numbers_are_no_velocity_ranges(pairs: list[str]) -> None:
    names = [f"Pad {key} {pair}" for key in ("C2", "C3", "C4") for pair in pairs]
    assert not unheard(names).are_velocity_ranges
