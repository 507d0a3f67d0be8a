"""Which notes a session records, in which order, and for how long each is held."""

from __future__ import annotations

import random
from dataclasses import dataclass

from keymapper.errors import UsageError
from keymapper.model.keys import HIGHEST_KEY, LOWEST_KEY, is_key, key_name, key_number
from keymapper.model.session import KeySeconds, SessionSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteToRecord:
    """One key press, before it has a time."""

    key: int
    velocity: int
    round_robin: int


def planned_keys(settings: SessionSettings) -> tuple[int, ...]:
    """Return the keys to record, upwards, each once.

    Raises UsageError for a key outside 0..127 (transposed as well), an empty or reversed range or
    a spacing below one semitone.
    """
    if settings.keys is not None:
        keys = {as_key(key, "keys") for key in settings.keys}
    else:
        keys = set(_spaced(settings.lowest_key, settings.highest_key, settings.every, ""))
    for part in settings.closer:
        keys.update(_spaced(part.lowest_key, part.highest_key, part.every, "closer: "))
    if not keys:
        raise UsageError("the plan has no keys; give keys, or lowest_key and highest_key.")
    for key in sorted(keys):
        check_sent_key(key, settings.transpose)
    return tuple(sorted(keys))


def as_key(key: int | str, what: str) -> int:
    """Return a key given as a number or as a name with 60 as C4; UsageError outside 0..127."""
    number = key_number(key) if isinstance(key, str) else key
    if number is None:
        raise UsageError(f"{what}: {key!r} is no key; write a number 0..127 or a name such as C#3.")
    if not is_key(number):
        raise UsageError(f"{what}: key {number} lies outside {LOWEST_KEY}..{HIGHEST_KEY}.")
    return number


def check_sent_key(key: int, transpose: int) -> None:
    """Raise UsageError where the transposed key cannot be sent."""
    if not is_key(key + transpose):
        raise UsageError(
            f"key {key} ({key_name(key)}) transposed by {transpose:+d} is {key + transpose}, "
            f"outside {LOWEST_KEY}..{HIGHEST_KEY}."
        )


def notes_to_record(settings: SessionSettings, keys: tuple[int, ...]) -> list[NoteToRecord]:
    """Return every key, velocity and repeat in the order in which they are played."""
    velocities = sorted(set(settings.velocities))
    notes = [
        NoteToRecord(key=key, velocity=velocity, round_robin=0)
        for key in keys
        for velocity in velocities
        for _ in range(settings.repeats)
    ]
    if settings.order == "shuffled":
        draw = random.Random(settings.seed)  # only random() is promised to stay the same
        notes.sort(key=lambda _: draw.random())
    played: dict[tuple[int, int], int] = {}
    numbered = []
    for note in notes:
        count = played.get((note.key, note.velocity), 0) + 1
        played[note.key, note.velocity] = count
        numbered.append(NoteToRecord(key=note.key, velocity=note.velocity, round_robin=count))
    return numbered


def seconds_at(key: int, duration: float | tuple[KeySeconds, ...], what: str) -> float:
    """Return a duration at a key, in seconds: linear between the given points, level beyond."""
    if not isinstance(duration, tuple):
        return duration
    points = sorted((as_key(point.key, what), point.seconds) for point in duration)
    if not points:
        raise UsageError(f"{what}: the list is empty; give a number or {{key, seconds}} points.")
    below = [point for point in points if point[0] <= key] or points[:1]
    above = [point for point in points if point[0] >= key] or points[-1:]
    (low, low_seconds), (high, high_seconds) = below[-1], above[0]
    if high == low:
        return low_seconds
    return low_seconds + (high_seconds - low_seconds) * (key - low) / (high - low)


def _spaced(low: int | str, high: int | str, every: int, where: str) -> range:
    lowest, highest = as_key(low, f"{where}lowest_key"), as_key(high, f"{where}highest_key")
    if every < 1:
        raise UsageError(f"{where}every must be at least 1 semitone, not {every}.")
    if highest < lowest:
        raise UsageError(f"{where}highest_key {highest} lies below lowest_key {lowest}.")
    return range(lowest, highest + 1, every)
