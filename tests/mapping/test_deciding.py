"""The recipe is believed first, then the sound, then the name."""

from __future__ import annotations

from dataclasses import replace

import pytest

from keymapper.mapping.deciding import (
    Evidence,
    believed_stored_keys,
    decided_note,
    doubts_of_key,
)
from keymapper.model.instrument import Decision, NoteHints
from keymapper.model.pitch import Pitch
from keymapper.model.recipe import NoteCorrection

C3_AND_8_CENTS = Pitch(
    root_key=48,
    tuning_cents=8.0,
    tuning_error_cents=0.1,
    f0_hz=440.0 * 2 ** ((48.08 - 69) / 12),
    pitch_confidence=0.98,
    definition="first partial",
    doubtful=False,
    doubts=(),
    drift_cents_per_second=None,
    vibrato_hz=None,
    vibrato_depth_cents=None,
    glide_cents=None,
    settle_seconds=None,
    detuning_width_cents=None,
    inharmonicity=None,
    periods=100.0,
    reference_hz=440.0,
)
UNSURE = replace(C3_AND_8_CENTS, pitch_confidence=0.6, doubtful=True, doubts=("unsure-key",))
SILENT = replace(UNSURE, root_key=None, tuning_cents=None, f0_hz=None, doubts=("no-pitch",))


def decided(
    pitch: Pitch,
    named: int | None = None,
    correction: NoteCorrection | None = None,
    stored_key: int | None = None,
    is_release: bool = False,
    key_by_plan: int | None = None,
) -> Decision:
    evidence = Evidence(
        file="a.wav",
        pitch=pitch,
        hints=NoteHints(key=named, is_release=is_release),
        stored_key=stored_key,
        correction=correction,
        key_by_plan=key_by_plan,
    )
    decision = decided_note(evidence, 440.0)
    assert decision is not None
    return decision


def corrected(**what: object) -> NoteCorrection:
    return NoteCorrection(file="a.wav", **what)  # type: ignore[arg-type]


def test_a_sure_sound_is_believed_against_its_name() -> None:
    assert decided(C3_AND_8_CENTS, named=60).root_key == 48


def test_the_name_tells_the_octave_of_an_unsure_sound() -> None:
    decision = decided(UNSURE, named=60)
    assert (decision.root_key, decision.decided_by) == (60, "name")
    assert decision.tuning_cents == pytest.approx(8.0)


def test_the_name_does_not_tell_the_key_of_a_sound() -> None:
    assert decided(UNSURE, named=61).root_key == 48


def test_the_name_tells_the_key_of_a_sound_that_is_more_likely_another() -> None:
    decision = decided(replace(UNSURE, pitch_confidence=0.4), named=41)
    assert (decision.root_key, decision.decided_by) == (41, "name")
    assert decision.tuning_cents == 0.0


def test_the_name_tells_the_key_where_there_is_no_pitch() -> None:
    assert decided(SILENT, named=61).root_key == 61
    evidence = Evidence(file="a.wav", pitch=SILENT, hints=NoteHints(), correction=None)
    assert decided_note(evidence, 440.0) is None


def test_doubts_say_what_was_taken_from_the_name() -> None:
    evidence = Evidence(file="a.wav", pitch=UNSURE, hints=NoteHints(key=60), correction=None)
    decision = decided_note(evidence, 440.0)
    assert decision is not None
    (doubt,) = doubts_of_key(evidence, decision)
    assert doubt.message.endswith("C4 is taken from its name")


@pytest.mark.parametrize("root", ["C2", "C3", "C4", "C6"])
def test_a_root_in_the_recipe_corrects_the_octave_alone(root: str) -> None:
    assert decided(C3_AND_8_CENTS, correction=corrected(root=root)).tuning_cents == pytest.approx(8)


def test_a_note_most_of_a_semitone_off_is_brought_to_the_root_in_the_recipe() -> None:
    decision = decided(C3_AND_8_CENTS, correction=corrected(root=49))
    assert decision.tuning_cents == pytest.approx(-92.0)


def test_a_sure_sound_is_tuned_to_a_root_in_the_recipe_however_far() -> None:
    tuning = decided(C3_AND_8_CENTS, correction=corrected(root=38)).tuning_cents
    assert tuning == pytest.approx(1008.0)


def test_a_tuning_in_the_recipe_is_taken_as_it_is() -> None:
    correction = corrected(root=38, tuning_cents=-12.5)
    assert decided(C3_AND_8_CENTS, correction=correction).tuning_cents == -12.5


def test_the_stored_root_counts_where_nothing_else_tells_a_key() -> None:
    decision = decided(SILENT, stored_key=48)
    assert (decision.root_key, decision.decided_by) == (48, "file")
    assert decided(SILENT, named=50, stored_key=48).decided_by == "name"
    evidence = Evidence(
        file="a.wav", pitch=SILENT, hints=NoteHints(), stored_key=48, correction=None
    )
    (doubt,) = doubts_of_key(evidence, decision)
    assert "C3 is taken from the root stored in its file" in doubt.message


@pytest.mark.parametrize(
    ("stored", "believed"),
    [
        ([60, 60, None], [None] * 3),
        ([60], [60]),
        ([60, 62], [60, 62]),
        ([48, 48], [48, 48]),
        ([], []),
    ],
)
def test_the_root_of_programs_that_know_none_means_nothing(
    stored: list[int | None], believed: list[int | None]
) -> None:
    assert believed_stored_keys(stored) == believed


@pytest.mark.parametrize(
    ("f0_hz", "cents"),
    [(440.0, 0.0), (445.0, 19.56), (880.0, 0.0), (110.0, 0.0), (520.0, 0.0), (410.0, 0.0)],
)
def test_a_doubtful_pitch_tunes_no_more_than_to_the_root_the_recipe_states(
    f0_hz: float, cents: float
) -> None:
    decision = decided(replace(UNSURE, f0_hz=f0_hz), correction=corrected(root="A4"))
    assert decision.root_key == 69
    assert decision.tuning_cents == pytest.approx(cents, abs=0.01)


def test_a_release_noise_belongs_to_the_key_in_its_name_and_is_no_doubt() -> None:
    noise = replace(UNSURE, root_key=61, f0_hz=280.0)
    decision = decided(noise, named=48, is_release=True)
    assert (decision.root_key, decision.decided_by, decision.tuning_cents) == (48, "name", 0.0)
    hints = NoteHints(key=48, is_release=True)
    evidence = Evidence(file="a.wav", pitch=noise, hints=hints, correction=None)
    assert doubts_of_key(evidence, decision) == []
    assert decided(noise, named=48).root_key == 61


def test_a_release_that_rings_at_a_pitch_of_its_own_lies_on_the_key_in_its_name() -> None:
    decision = decided(C3_AND_8_CENTS, named=65, is_release=True)
    assert (decision.root_key, decision.decided_by, decision.tuning_cents) == (65, "name", 0.0)
    named_alike = decided(C3_AND_8_CENTS, named=48, is_release=True)
    assert named_alike.tuning_cents == pytest.approx(8.0)
    assert decided(C3_AND_8_CENTS, is_release=True).root_key == 48


def test_the_plan_is_believed_against_a_sure_sound() -> None:
    octave = decided(C3_AND_8_CENTS, key_by_plan=60)
    assert (octave.root_key, octave.tuning_cents, octave.decided_by) == (
        60,
        pytest.approx(8),
        "plan",
    )
    other = decided(C3_AND_8_CENTS, key_by_plan=55)
    assert (other.root_key, other.tuning_cents) == (55, 0.0)
    assert decided(C3_AND_8_CENTS, correction=corrected(root=48), key_by_plan=60).root_key == 48


def test_what_the_plan_says_against_the_sound_is_told() -> None:
    evidence = Evidence(
        file="a.wav", pitch=C3_AND_8_CENTS, hints=NoteHints(), correction=None, key_by_plan=60
    )
    decision = decided_note(evidence, 440.0)
    assert decision is not None
    (doubt,) = doubts_of_key(evidence, decision)
    assert doubt.message == (
        "sounds as C3, which may be the tail of another note; "
        "C4 is taken from the plan of the session"
    )
