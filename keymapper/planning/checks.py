"""What makes the settings of a session impossible, before a plan is made of them."""

from __future__ import annotations

from keymapper.errors import UsageError
from keymapper.model.session import KeySeconds, PatchCall, SessionSettings

_LONGEST_NOTE_SECONDS = 600.0
_MOST_REPEATS = 128
_MOST_SYNC_NOTES = 16


def check_settings(settings: SessionSettings) -> None:
    """Raise UsageError, in one line, for a setting that no session can have."""
    if not settings.velocities:
        raise UsageError("velocities: the list is empty; give at least one, 1..127.")
    for velocity in settings.velocities:
        if not 1 <= velocity <= 127:
            reason = " (velocity 0 is a note-off)" if velocity == 0 else ""
            raise UsageError(f"velocities: {velocity} lies outside 1..127{reason}.")
    _check_range("repeats", settings.repeats, 1, _MOST_REPEATS)
    _check_range("sync_notes", settings.sync_notes, 0, _MOST_SYNC_NOTES)
    _check_range("channel", settings.channel, 1, 16)
    _check_range("transpose", settings.transpose, -127, 127)
    _check_seconds("hold_seconds", settings.hold_seconds, 0.02)
    _check_seconds("release_seconds", settings.release_seconds, 0.0)
    _check_range("pause_seconds", settings.pause_seconds, 0.0, _LONGEST_NOTE_SECONDS)
    _check_range("settle_seconds", settings.settle_seconds, 0.0, _LONGEST_NOTE_SECONDS)
    if settings.spacing_seconds is not None:
        _check_range("spacing_seconds", settings.spacing_seconds, 0.05, _LONGEST_NOTE_SECONDS)
    if settings.reference_every_seconds is not None:
        _check_range("reference_every_seconds", settings.reference_every_seconds, 1.0, 86_400.0)
    _check_text(settings.name)
    for patch in settings.patches:
        _check_patch(patch)


def _check_text(name: str) -> None:
    """Refuse bytes of a command line that are no text, which Python carries as lone surrogates."""
    if any("\ud800" <= letter <= "\udfff" for letter in name):
        raise UsageError(f"name: {name!r} is not valid text; write it in UTF-8.")


def _check_patch(patch: PatchCall) -> None:
    _check_text(patch.name)
    for name in ("program", "bank_msb", "bank_lsb"):
        value = getattr(patch, name)
        if value is not None:
            _check_range(f"patch {patch.name!r}: {name}", value, 0, 127)


def _check_seconds(name: str, value: float | tuple[KeySeconds, ...], least: float) -> None:
    points = value if isinstance(value, tuple) else (KeySeconds(key=0, seconds=value),)
    for point in points:
        _check_range(name, point.seconds, least, _LONGEST_NOTE_SECONDS)


def _check_range(name: str, value: float, low: float, high: float) -> None:
    if not low <= value <= high:
        raise UsageError(f"{name} must lie in {low:g}..{high:g}, not {value:g}.")
