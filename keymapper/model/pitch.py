"""The pitch of one note, and how far it can be believed."""

from __future__ import annotations

from dataclasses import dataclass

FIRST_PARTIAL = "first partial"
PERIOD = "period"

DOUBT_TEXT = {
    "no-pitch": "no pitch was found: noise, silence or a drum",
    "unsure-key": "another key or octave is nearly as likely",
    "wide-error-bar": "the tuning is uncertain by more than 5 cents",
    "few-periods": "the sound holds fewer than 4 periods",
    "partials-disagree": "the partials do not settle on one pitch near the key",
}
"""What each word in `Pitch.doubts` means, as a sentence for people."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pitch:
    """Pitch of one note; whatever is absent from the sound is None.

    ``tuning_cents`` says how sharp the recording is, in [-50, 50) cents above the equal-tempered
    ``root_key`` (60 = middle C) at ``reference_hz``. ``tuning_error_cents`` is the half width of
    the interval that holds the true value 95 times in 100. ``definition`` says which pitch of a
    sound with stretched partials is meant: "first partial", or "period" (the common period that
    fits the strong partials best). ``pitch_confidence`` is the probability that the key is right.
    ``doubts`` holds the words of `DOUBT_TEXT` that apply; ``doubtful`` is true when there are any.

    The course of the pitch: ``drift_cents_per_second``, ``vibrato_hz`` and
    ``vibrato_depth_cents`` (from the middle to the highest point), ``glide_cents`` (where the
    attack starts, relative to where it settles, after ``settle_seconds``),
    ``detuning_width_cents`` (twice the spread of each partial: for two equal oscillators the
    distance between them), ``inharmonicity`` (B of f_k = k f sqrt(1 + B k^2)), how many ``periods``
    the steady part of the sound holds, and ``moving_from_seconds`` of the recording, where a
    vibrato that comes late has set in.
    """

    root_key: int | None
    tuning_cents: float | None
    tuning_error_cents: float | None
    f0_hz: float | None
    pitch_confidence: float
    definition: str | None
    doubtful: bool
    doubts: tuple[str, ...]
    drift_cents_per_second: float | None
    vibrato_hz: float | None
    vibrato_depth_cents: float | None
    glide_cents: float | None
    settle_seconds: float | None
    detuning_width_cents: float | None
    inharmonicity: float | None
    periods: float | None
    reference_hz: float
    moving_from_seconds: float | None = None
