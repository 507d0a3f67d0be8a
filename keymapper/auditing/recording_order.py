"""In which order the notes of a set were recorded, from the best source there is."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path, PurePosixPath

from keymapper.auditing.reading import ReadPack
from keymapper.errors import InputError
from keymapper.formats.notes_file import NOTES_NAME, read_notes
from keymapper.mapping.names.hints import NameHint
from keymapper.model.finding import OrderSource
from keymapper.model.sample_facts import SampleFacts

SHARE_WITH_TIME = 0.8
SECONDS_A_NOTE = 2.0
"""Files written faster than this were copied or exported, not recorded, in that order."""
_DIGITS = re.compile(r"\d+")


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingOrder:
    """When each file was recorded: minutes since the first, or its place among the notes."""

    source: OrderSource
    in_minutes: bool
    place: Mapping[str, float]


NO_ORDER = RecordingOrder(source="none", in_minutes=False, place={})


def recording_order(
    read: ReadPack, facts: Mapping[str, SampleFacts], hints: Mapping[str, NameHint | None]
) -> RecordingOrder:
    """Return the order: session sheet, time stamps, numbers in names, file times, or none.

    facts : of the files of one set. hints : what their names say, to tell numbers of keys from
    numbers of takes.
    """
    files = sorted(facts)
    if len(files) < 3:
        return NO_ORDER
    found = _from_session(read, files)
    if found is not None:
        return order_of_times("session sheet", found, in_minutes=True)
    found = _from_stamps(facts)
    if found is not None:
        return order_of_times("bext time stamps", found, in_minutes=True)
    names = {file: read.recorded_as.get(file, file) for file in files}
    keys = {file: hint.key if (hint := hints.get(file)) else None for file in files}
    numbers = numbers_in_names(keys, names)
    if numbers is not None:
        return order_of_times("numbers in names", numbers, in_minutes=False)
    found = _from_file_times(read.source.root, files)
    return NO_ORDER if found is None else order_of_times("file times", found, in_minutes=True)


def order_of_times(
    source: OrderSource, seconds_or_places: Mapping[str, float], *, in_minutes: bool
) -> RecordingOrder:
    """Return an order from seconds (`in_minutes`) or places of each file."""
    first = min(seconds_or_places.values())
    unit = 60.0 if in_minutes else 1.0
    place = {file: (value - first) / unit for file, value in seconds_or_places.items()}
    return RecordingOrder(source=source, in_minutes=in_minutes, place=place)


def _from_session(read: ReadPack, files: Sequence[str]) -> dict[str, float] | None:
    """Return onsets from notes.json in the pack, or from the one above a patch of several."""
    names = [name for name in read.source.files if PurePosixPath(name).name == NOTES_NAME]
    root = read.source.root.resolve()
    places = [(root / name, PurePosixPath(name).parent, "") for name in names]
    for path, here, above in (
        *places,
        (root.parent / NOTES_NAME, PurePosixPath(), f"{root.name}/"),
    ):
        try:
            report = read_notes(path)
        except InputError:
            continue
        onsets = {
            (here / note.file.removeprefix(above)).as_posix(): report.session_seconds(note)
            for note in report.notes
            if note.file is not None and note.file.startswith(above)
        }
        known = {file: onsets[file] for file in files if file in onsets}
        known |= {
            file: onsets[recorded]
            for file in files
            if (recorded := read.recorded_as.get(file, "")) in onsets and file not in known
        }
        if len(known) >= SHARE_WITH_TIME * len(files):
            return known
    return None


def _from_stamps(facts: Mapping[str, SampleFacts]) -> dict[str, float] | None:
    known: dict[str, float] = {}
    for file, one in facts.items():
        if one.texts.recorded is not None:
            seconds = _seconds(one.texts.recorded, one.texts.time_reference_frames, one.rate)
            if seconds is not None:
                known[file] = seconds
    enough = len(known) >= max(3.0, SHARE_WITH_TIME * len(facts))
    return known if enough and len(set(known.values())) > len(known) / 2 else None


def _seconds(stamp: str, reference_frames: int | None, rate: int) -> float | None:
    """Return seconds since an arbitrary day; a time code is finer than the clock."""
    try:
        moment = datetime.fromisoformat(stamp)
    except ValueError:
        return None
    day = moment.toordinal() * 86_400.0
    clock = moment.hour * 3600.0 + moment.minute * 60.0 + moment.second
    if reference_frames is not None and abs(reference_frames / rate - clock) < 2.0:
        clock = reference_frames / rate
    return day + clock


def numbers_in_names(
    keys: Mapping[str, int | None], names: Mapping[str, str] | None = None
) -> dict[str, float] | None:
    """Return numbers that count the notes: all different, nearly without a gap, and no keys.

    keys : what the name of each file says of its key, to tell numbers of keys from such that count.
    names : under which the files were recorded; None for their own.
    """
    files = sorted(keys)
    groups = [_DIGITS.findall(PurePosixPath((names or {}).get(f, f)).stem) for f in files]
    if len({len(group) for group in groups}) != 1:
        return None
    for column in zip(*groups, strict=True):
        numbers = [int(text) for text in column if len(text) <= 9]
        if len(numbers) != len(files) or len(set(numbers)) != len(numbers):
            continue
        dense = max(numbers) - min(numbers) + 1 <= 1.25 * len(numbers) + 1
        if dense and not _are_keys(numbers, [keys[file] for file in files]):
            return dict(zip(files, map(float, numbers), strict=True))
    return None


def _are_keys(numbers: Sequence[int], keys: Sequence[int | None]) -> bool:
    """Tell whether numbers say which key a note is: they differ from the keys by a constant."""
    apart = [number - key for number, key in zip(numbers, keys, strict=True) if key is not None]
    return bool(apart) and max(apart.count(one) for one in set(apart)) > 0.5 * len(apart)


def _from_file_times(root: Path, files: Sequence[str]) -> dict[str, float] | None:
    known = {}
    for file in files:
        try:
            known[file] = (root / file).stat().st_mtime
        except OSError:
            return None
    span = max(known.values()) - min(known.values())
    different = len({round(value, 1) for value in known.values()}) == len(known)
    return known if different and span >= SECONDS_A_NOTE * len(files) else None
