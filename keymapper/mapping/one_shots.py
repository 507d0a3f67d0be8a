"""Sounds that play to their end: a key a drum, tuned and choking each other where asked."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Hashable, Sequence

from keymapper.mapping.choking import choke_groups
from keymapper.mapping.deciding import believed_hints, recipe_root
from keymapper.mapping.set_notes import DecidedNote, SetNote
from keymapper.model.instrument import DecidedBy, Decision
from keymapper.model.keys import HIGHEST_KEY, hz_to_key, key_number
from keymapper.model.recipe import OneShotSettings, Recipe

USUAL_BASE_KEY = 36

_Key = tuple[int, DecidedBy]


def decided_one_shots(
    notes: Sequence[SetNote], recipe: Recipe
) -> tuple[list[DecidedNote], list[int]]:
    """Return the one-shots with their keys, and the notes for which no key was left.

    Hits of one drum share a key. The recipe's roots come first, then names that all say a key,
    then keys stored in the files; what is left gets the free keys, one a drum, in order. Reversed
    copies follow on the keys above.
    """
    drums = _drums(notes)
    files = [note.file for note in notes]
    groups = choke_groups(files, drums, recipe.one_shots.choke, recipe.choke)
    keys = _keys(notes, drums, recipe.one_shots)
    wanted = [(index, key, False) for index, key in keys.items()]
    if recipe.one_shots.reversed_copies:
        used = sorted({key for key, _ in keys.values()})
        above = {key: used[-1] + 1 + place for place, key in enumerate(used)}
        wanted += [(index, (above[key], "order"), True) for index, (key, _) in keys.items()]
    decided = [
        DecidedNote(
            note=index,
            decision=_decision(notes[index], key, recipe),
            is_reversed=is_reversed,
            choke_group=groups[index],
        )
        for index, key, is_reversed in wanted
        if key[0] <= HIGHEST_KEY
    ]
    beyond = {index for index, key, _ in wanted if key[0] > HIGHEST_KEY}
    return decided, sorted(beyond | (set(range(len(notes))) - set(keys)))


def _drums(notes: Sequence[SetNote]) -> list[int]:
    """Return which drum each note is a hit of, counted in order.

    Hits of one drum have one sound and key in their names and differ in velocity or repeat.
    """
    alike: dict[Hashable, list[int]] = defaultdict(list)
    for index, note in enumerate(notes):
        alike[note.sound, note.hints.key].append(index)
    first_of = list(range(len(notes)))
    for members in alike.values():
        hints = [believed_hints(notes[i].hints, notes[i].correction) for i in members]
        if len({(each.velocity, each.round_robin) for each in hints}) == len(members):
            for index in members:
                first_of[index] = members[0]
    order = {first: drum for drum, first in enumerate(sorted(set(first_of)))}
    return [order[first] for first in first_of]


def _keys(
    notes: Sequence[SetNote], drums: Sequence[int], settings: OneShotSettings
) -> dict[int, _Key]:
    """Return the key of each note that gets one, and what decided it.

    A drum of which the recipe places one hit lies there as a whole.
    """
    stated: dict[int, _Key] = {
        index: (root, "recipe")
        for index, note in enumerate(notes)
        if (root := recipe_root(note.correction)) is not None
    }
    of_drum = {drums[index]: key for index, key in reversed(stated.items())}
    rest = [index for index, drum in enumerate(drums) if drum not in of_drum]
    of_drum |= (
        _named_keys(notes, rest, drums)
        or _stored_keys(notes, rest, drums)
        or _free_keys({drums[i] for i in rest}, {key for key, _ in stated.values()}, settings)
    )
    return {i: stated.get(i, of_drum[drum]) for i, drum in enumerate(drums) if drum in of_drum}


def _named_keys(
    notes: Sequence[SetNote], rest: Sequence[int], drums: Sequence[int]
) -> dict[int, _Key]:
    """Return the keys that names say, where all do; nothing where every sound has the same keys.

    What comes back with each sound ("Kick A1, Kick A2, Snare A1, Snare A2") is no key to lie on.
    """
    by_sound: dict[str, set[int]] = defaultdict(set)
    found: dict[int, _Key] = {}
    for index in rest:
        key = notes[index].hints.key
        if key is None:
            return {}
        by_sound[notes[index].sound].add(key)
        found[drums[index]] = (key, "name")
    first, *others = by_sound.values() or [set()]
    is_crossed = len(first) > 1 and bool(others) and all(keys == first for keys in others)
    return {} if is_crossed else found


def _stored_keys(
    notes: Sequence[SetNote], rest: Sequence[int], drums: Sequence[int]
) -> dict[int, _Key]:
    """Return the keys stored in the files, where each drum has one of its own."""
    found: dict[int, _Key] = {}
    for index in rest:
        key = notes[index].stored_key
        if key is None:
            return {}
        found[drums[index]] = (key, "file")
    return found if len(set(found.values())) == len(found) else {}


def _free_keys(
    drums: Collection[int], taken: Collection[int], settings: OneShotSettings
) -> dict[int, _Key]:
    """Return a key of its own for each drum, one after the other, as far as they go.

    Where the recipe gives no base key, they begin at 36, or as much lower as makes all fit.
    """
    copies = len(drums) + len(taken) if settings.reversed_copies else 0
    free = [key for key in range(HIGHEST_KEY + 1 - copies) if key not in taken]
    base = settings.base_key
    if base is None:
        base = min(USUAL_BASE_KEY, free[-len(drums)]) if 0 < len(drums) <= len(free) else 0
    rising = [key for key in range(base, HIGHEST_KEY + 1) if key not in taken]
    return {drum: (key, "order") for drum, key in zip(sorted(drums), rising, strict=False)}


def _decision(note: SetNote, key: _Key, recipe: Recipe) -> Decision:
    hints = believed_hints(note.hints, note.correction)
    return Decision(
        root_key=key[0],
        tuning_cents=_tuning_cents(note, recipe),
        velocity=hints.velocity,
        round_robin=hints.round_robin,
        is_release=False,
        decided_by=key[1],
    )


def _tuning_cents(note: SetNote, recipe: Recipe) -> float:
    """How sharp the sound is of what it is tuned to; 0 where it stays as it is."""
    if note.correction is not None and note.correction.tuning_cents is not None:
        return note.correction.tuning_cents
    settings, pitch = recipe.one_shots, note.measurement.pitch
    if pitch.doubtful or pitch.f0_hz is None or (settings.tune == "none" and settings.key is None):
        return 0.0
    sounding = hz_to_key(pitch.f0_hz, recipe.reference_hz)
    if settings.key is None:
        return 100.0 * (sounding - round(sounding))
    wanted = key_number(f"{settings.key}4")
    assert wanted is not None
    octaves = round((sounding - wanted) / 12)
    return 100.0 * (sounding - wanted - 12 * octaves)
