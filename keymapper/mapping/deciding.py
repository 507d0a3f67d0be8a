"""What is taken for true of each note: the sound first, the name where the sound is silent."""

from __future__ import annotations

from dataclasses import dataclass

from keymapper.model.instrument import DecidedBy, Decision, Doubt, NoteHints
from keymapper.model.keys import hz_to_key, key_name, key_number
from keymapper.model.pitch import DOUBT_TEXT, Pitch
from keymapper.model.recipe import NoteCorrection

OTHER_KEY_CENTS = 100.0
"""A note further than this from its root, octaves apart, has the pitch of another key."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """Everything that speaks for one note's key."""

    file: str
    pitch: Pitch
    hints: NoteHints
    correction: NoteCorrection | None


def decided_note(evidence: Evidence, reference_hz: float) -> Decision | None:
    """Return key, tuning, velocity and turn of a note; None where nothing tells its key.

    The recipe is believed first, then the sound, then the name; where the sound is doubtful, the
    name tells its octave.
    """
    correction = evidence.correction or NoteCorrection(file=evidence.file)
    root, decided_by = _root_key(evidence, correction)
    if root is None:
        return None
    hints = evidence.hints
    return Decision(
        root_key=root,
        tuning_cents=_tuning_cents(evidence.pitch, correction, root, reference_hz),
        velocity=correction.velocity if correction.velocity is not None else hints.velocity,
        round_robin=(
            correction.round_robin if correction.round_robin is not None else hints.round_robin
        ),
        is_release=hints.is_release if correction.release is None else correction.release,
        decided_by=decided_by,
    )


def _root_key(evidence: Evidence, correction: NoteCorrection) -> tuple[int | None, DecidedBy]:
    if correction.root is not None:
        root = correction.root if isinstance(correction.root, int) else key_number(correction.root)
        return root, "recipe"
    heard, named = evidence.pitch.root_key, evidence.hints.key
    if heard is None or (evidence.pitch.doubtful and _is_octave(heard, named)):
        return named, "name"
    return heard, "sound"


def _is_octave(heard: int, named: int | None) -> bool:
    return named is not None and named != heard and (named - heard) % 12 == 0


def _tuning_cents(
    pitch: Pitch, correction: NoteCorrection, root_key: int, reference_hz: float
) -> float:
    """Return how sharp the note is against root_key, whichever octave its pitch was heard in.

    0 where its pitch is unknown, or another key's: a root that the recipe gives is then the key
    at which the recording plays as it is.
    """
    if correction.tuning_cents is not None:
        return correction.tuning_cents
    if pitch.f0_hz is None:
        return 0.0
    cents = 100.0 * (hz_to_key(pitch.f0_hz, reference_hz) - root_key)
    within = cents - 1200.0 * round(cents / 1200.0)
    return within if abs(within) <= OTHER_KEY_CENTS else 0.0


def doubts_of_key(evidence: Evidence, decision: Decision) -> list[Doubt]:
    """Return what should be looked at in a note's pitch; nothing where the recipe decides."""
    pitch = evidence.pitch
    if decision.decided_by == "recipe" or not pitch.doubtful:
        return []
    why = "; ".join(DOUBT_TEXT[word] for word in pitch.doubts)
    if decision.decided_by == "name":
        message = f"{why}; {key_name(decision.root_key)} is taken from its name"
    else:
        sure = f"{100 * pitch.pitch_confidence:.0f} %"
        message = f"check that it is {key_name(decision.root_key)} ({sure} sure): {why}"
    return [Doubt(file=evidence.file, about="pitch", message=message)]
