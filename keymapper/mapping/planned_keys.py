"""What the plan of a session knows better than the sound: which keys were pressed."""

from __future__ import annotations

from collections.abc import Sequence

from keymapper.mapping.deciding import OTHER_KEY_CENTS
from keymapper.mapping.names.agreement import agreement
from keymapper.mapping.names.hints import MeasuredHint
from keymapper.model.keys import is_key

_LEAST_SHARE = 0.75
"""Of the notes with a pitch, so many sound as planned where a patch sounds at its keys at all."""


def keys_by_plan(
    planned: Sequence[int | None], measured: Sequence[MeasuredHint | None]
) -> tuple[int | None, ...]:
    """Return the keys at which notes sound by the plan, where their sound says another or none.

    Most notes have to sound as planned, but for one shift of them all. What a note of such a set
    sounds like is its own key then, whatever is heard under the tail of the note before; None for
    notes that agree, that nobody planned, or of a set that does not follow the plan.
    """
    fit = agreement(planned, measured, octaves_only=False)
    if fit is None or fit.share < _LEAST_SHARE:
        return (None,) * len(planned)
    sounding = [None if key is None else key + fit.semitones for key in planned]
    return tuple(
        key if key is not None and is_key(key) and not _is_heard(key, hint) else None
        for key, hint in zip(sounding, measured, strict=True)
    )


def _is_heard(key: int, hint: MeasuredHint | None) -> bool:
    heard = None if hint is None else hint.sounding_key
    return heard is not None and abs(100.0 * (heard - key)) <= OTHER_KEY_CENTS
