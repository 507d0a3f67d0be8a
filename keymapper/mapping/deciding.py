"""What is taken for true of each note: the sound first, the name where the sound is silent."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from keymapper.mapping.names.agreement import LEAST_CONFIDENCE
from keymapper.model.instrument import DecidedBy, Decision, Doubt, NoteHints
from keymapper.model.keys import hz_to_key, key_name, key_number
from keymapper.model.pitch import DOUBT_TEXT, Pitch
from keymapper.model.recipe import NoteCorrection

UNSET_ROOT = 60
"""What programs write as the root of a sample when nobody told them one."""
SAME_KEY_CENTS, OTHER_KEY_CENTS = 50.0, 100.0
"""A pitch further than this from a root, octaves apart, is of another key: what may be a noise, and
what is none."""

_SOURCES: Mapping[DecidedBy, str] = {
    "name": "its name",
    "file": "the root stored in its file",
    "plan": "the plan of the session",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """Everything that speaks for one note's key."""

    file: str
    pitch: Pitch
    hints: NoteHints
    stored_key: int | None = None
    """The root that the file itself states, where that can be believed."""
    correction: NoteCorrection | None
    key_by_plan: int | None = None
    """Where it sounds by the plan of its session, if its own sound does not say so."""


def decided_note(evidence: Evidence, reference_hz: float) -> Decision | None:
    """Return key, tuning, velocity and turn of a note; None where nothing tells its key.

    The recipe is believed first, then the plan of a session, the sound, the name, and what the file
    states; where the sound is doubtful, the name tells its octave, and its key where any other is
    as likely. Release notes, which are noises as a rule, belong to the key in their name.
    """
    correction = evidence.correction or NoteCorrection(file=evidence.file)
    root, decided_by = _root_key(evidence, correction)
    if root is None:
        return None
    hints = believed_hints(evidence.hints, correction)
    tuning_cents = _tuning_cents(
        evidence.pitch,
        correction,
        root,
        reference_hz,
        may_be_noise=evidence.pitch.doubtful or hints.is_release or decided_by == "plan",
    )
    return Decision(
        root_key=root,
        tuning_cents=tuning_cents,
        velocity=hints.velocity,
        round_robin=hints.round_robin,
        is_release=hints.is_release,
        decided_by=decided_by,
    )


def believed_hints(hints: NoteHints, correction: NoteCorrection | None) -> NoteHints:
    """Return what the name says with what the recipe says of velocity, turn and release over it."""
    if correction is None:
        return hints
    velocity, turn, release = correction.velocity, correction.round_robin, correction.release
    return replace(
        hints,
        velocity=hints.velocity if velocity is None else velocity,
        round_robin=hints.round_robin if turn is None else turn,
        is_release=hints.is_release if release is None else release,
    )


def believed_stored_keys(stored: Sequence[int | None]) -> list[int | None]:
    """Return the roots that the files of a set state, without those that mean nothing.

    Where all of several files state key 60, a program wrote it that knew of no root.
    """
    known = [key for key in stored if key is not None]
    means_nothing = len(known) > 1 and set(known) == {UNSET_ROOT}
    return [None] * len(stored) if means_nothing else list(stored)


def recipe_root(correction: NoteCorrection | None) -> int | None:
    """Return the key that the recipe gives a note as its root; None where it gives none."""
    root = None if correction is None else correction.root
    return key_number(root) if isinstance(root, str) else root


def _root_key(evidence: Evidence, correction: NoteCorrection) -> tuple[int | None, DecidedBy]:
    stated = recipe_root(correction)
    if stated is not None:
        return stated, "recipe"
    if evidence.key_by_plan is not None:
        return evidence.key_by_plan, "plan"
    heard, named = evidence.pitch.root_key, evidence.hints.key
    if named is not None and (heard is None or _is_told_by_name(heard, named, evidence)):
        return named, "name"
    return (heard, "sound") if heard is not None else (evidence.stored_key, "file")


def _is_told_by_name(heard: int, named: int, evidence: Evidence) -> bool:
    """Say whether a name is believed against a sound.

    That of a release; the octave of a doubtful sound; the key of one that is more likely another.
    """
    pitch = evidence.pitch
    hints = believed_hints(evidence.hints, evidence.correction)
    is_anything = pitch.pitch_confidence < LEAST_CONFIDENCE
    return hints.is_release or (pitch.doubtful and (is_anything or (named - heard) % 12 == 0))


def _tuning_cents(
    pitch: Pitch,
    correction: NoteCorrection,
    root_key: int,
    reference_hz: float,
    *,
    may_be_noise: bool,
) -> float:
    """Return how sharp the note is against root_key, whichever octave its pitch was heard in.

    0 where its pitch is unknown, or of another key and perhaps none of its own: a noise that is to
    lie on a key must not be tuned to it.
    """
    if correction.tuning_cents is not None:
        return correction.tuning_cents
    if pitch.f0_hz is None:
        return 0.0
    cents = 100.0 * (hz_to_key(pitch.f0_hz, reference_hz) - root_key)
    within = cents - 1200.0 * round(cents / 1200.0)
    if abs(within) <= (SAME_KEY_CENTS if may_be_noise else OTHER_KEY_CENTS):
        return within
    return 0.0 if may_be_noise else cents


def doubts_of_key(evidence: Evidence, decision: Decision) -> list[Doubt]:
    """Return what should be looked at in a note's pitch; nothing where the recipe decides.

    Release notes are noises as a rule: one that its name gives a key needs no pitch.
    """
    pitch = evidence.pitch
    is_noise = decision.is_release and decision.decided_by == "name"
    is_plain = not pitch.doubtful and decision.decided_by != "plan"
    if decision.decided_by == "recipe" or is_noise or is_plain:
        return []
    why = "; ".join(DOUBT_TEXT[word] for word in pitch.doubts)
    if not pitch.doubtful and pitch.root_key is not None:
        why = f"sounds as {key_name(pitch.root_key)}, which may be the tail of another note"
    if decision.decided_by != "sound":
        source = _SOURCES[decision.decided_by]
        message = f"{why}; {key_name(decision.root_key)} is taken from {source}"
    else:
        sure = f"{100 * pitch.pitch_confidence:.0f} %"
        message = f"check that it is {key_name(decision.root_key)} ({sure} sure): {why}"
    return [Doubt(file=evidence.file, about="pitch", message=message)]
