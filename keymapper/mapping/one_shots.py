"""Sounds that play to their end: a key each, tuned and choking each other where asked."""

from __future__ import annotations

from collections.abc import Sequence

from keymapper.mapping.choking import choke_groups
from keymapper.mapping.set_notes import DecidedNote, SetNote
from keymapper.model.instrument import Decision
from keymapper.model.keys import HIGHEST_KEY, hz_to_key, key_number
from keymapper.model.pitch import Pitch
from keymapper.model.recipe import OneShotSettings, Recipe


def decided_one_shots(
    notes: Sequence[SetNote], recipe: Recipe
) -> tuple[list[DecidedNote], list[int]]:
    """Return the one-shots with their keys, and the notes for which no key was left.

    Keys come from recipe or names where every note has one of its own, else they are given one
    after the other. Reversed copies follow on the keys above.
    """
    settings = recipe.one_shots
    keys = _keys(notes, settings)
    groups = choke_groups([note.file for note in notes], settings.choke, recipe.choke)
    wanted = [(index, key, False) for index, key in enumerate(keys)]
    if settings.reversed_copies:
        above = max(keys, default=0) + 1
        wanted += [(index, above + index, True) for index in range(len(notes))]
    decided = [
        DecidedNote(
            note=index,
            decision=_decision(notes[index], key, recipe),
            is_reversed=is_reversed,
            choke_group=groups[index],
        )
        for index, key, is_reversed in wanted
        if key <= HIGHEST_KEY
    ]
    return decided, sorted({index for index, key, _ in wanted if key > HIGHEST_KEY})


def _keys(notes: Sequence[SetNote], settings: OneShotSettings) -> list[int]:
    named = [_stated_key(note) for note in notes]
    known = [key for key in named if key is not None]
    if len(set(known)) == len(notes):
        return known
    return list(range(settings.base_key, settings.base_key + len(notes)))


def _stated_key(note: SetNote) -> int | None:
    if note.correction is not None and note.correction.root is not None:
        root = note.correction.root
        return root if isinstance(root, int) else key_number(root)
    return note.hints.key


def _decision(note: SetNote, key: int, recipe: Recipe) -> Decision:
    return Decision(
        root_key=key,
        tuning_cents=_tuning_cents(note.measurement.pitch, recipe),
        velocity=None,
        round_robin=None,
        is_release=False,
        decided_by="name" if key == _stated_key(note) else "order",
    )


def _tuning_cents(pitch: Pitch, recipe: Recipe) -> float:
    """How sharp the sound is of what it is tuned to; 0 where it stays as it is."""
    settings = recipe.one_shots
    if pitch.doubtful or pitch.f0_hz is None or (settings.tune == "none" and settings.key is None):
        return 0.0
    sounding = hz_to_key(pitch.f0_hz, recipe.reference_hz)
    if settings.key is None:
        return 100.0 * (sounding - round(sounding))
    wanted = key_number(f"{settings.key}4")
    assert wanted is not None
    octaves = round((sounding - wanted) / 12)
    return 100.0 * (sounding - wanted - 12 * octaves)
