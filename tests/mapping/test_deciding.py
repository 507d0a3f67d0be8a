from dataclasses import replace

import pytest

from keymapper.mapping.deciding import (
    Evidence,
    believed_stored_keys,
    decided_note,
    doubts_of_key,
)
from keymapper.measuring.note import measured_note
from keymapper.model.instrument import NoteHints
from keymapper.model.recipe import NoteCorrection
from tests.simple_notes import RATE, noise_hit

NOISE = measured_note(noise_hit(), RATE, reference_hz=440.0).pitch


def evidence(pitch=NOISE, correction=None, stored_key=None, **hints):
    return Evidence(
        file="a.wav",
        pitch=pitch,
        hints=NoteHints(**hints),
        stored_key=stored_key,
        correction=correction,
    )


def test_the_stored_root_counts_where_nothing_else_tells_a_key():
    decision = decided_note(evidence(stored_key=48), 440.0)
    assert (decision.root_key, decision.decided_by) == (48, "file")
    (doubt,) = doubts_of_key(evidence(stored_key=48), decision)
    assert "C3 is taken from the root stored in its file" in doubt.message
    named = decided_note(evidence(stored_key=48, key=50), 440.0)
    assert (named.root_key, named.decided_by) == (50, "name")
    assert decided_note(evidence(), 440.0) is None


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
def test_the_root_of_programs_that_know_none_means_nothing(stored, believed):
    assert believed_stored_keys(stored) == believed


@pytest.mark.parametrize(
    ("f0_hz", "cents"),
    [(440.0, 0.0), (445.0, 19.56), (880.0, 0.0), (110.0, 0.0), (520.0, 0.0), (410.0, 0.0)],
)
def test_a_doubtful_pitch_tunes_no_more_than_to_the_root_the_recipe_states(f0_hz, cents):
    doubtful = replace(NOISE, f0_hz=f0_hz)
    assert doubtful.doubtful
    stated = NoteCorrection(file="a.wav", root="A4")
    decision = decided_note(evidence(doubtful, stated), 440.0)
    assert decision.root_key == 69
    assert decision.tuning_cents == pytest.approx(cents, abs=0.01)


def test_a_release_noise_belongs_to_the_key_in_its_name_and_is_no_doubt():
    doubtful = replace(NOISE, root_key=61, f0_hz=280.0)
    release = evidence(doubtful, key=48, is_release=True)
    decision = decided_note(release, 440.0)
    assert (decision.root_key, decision.decided_by, decision.tuning_cents) == (48, "name", 0.0)
    assert doubts_of_key(release, decision) == []
    attack = evidence(doubtful, key=48)
    assert decided_note(attack, 440.0).root_key == 61
    assert len(doubts_of_key(attack, decided_note(attack, 440.0))) == 1
