"""The audio of a note where it lies: a file, a stretch of one, or two files with a side each."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

import numpy as np

from keymapper.errors import InputError
from keymapper.formats.audio_file import Audio, AudioInfo, read_audio, read_audio_info

_SIDE = re.compile(r"(?P<rest>.*[\s_.\-(\[])(?P<side>l|r|left|right)(?P<end>[)\]]?)", re.IGNORECASE)
_RIGHT_OF = {"l": "r", "left": "right"}


@dataclass(frozen=True, slots=True, kw_only=True)
class AudioPlace:
    """Where the audio of a note lies."""

    path: Path
    frames: tuple[int, int] | None = None
    """Half-open; None for the whole file."""
    right: Path | None = None
    """The right side, where `path` is the left one alone."""


def read_place(place: AudioPlace) -> Audio:
    """Decode the audio of a note to float32 of full scale 1.0, shape (frames, channels).

    Raises
    ------
    InputError
        A file cannot be used, or the right side does not fit the left one.
    """
    audio = read_audio(place.path, frames=place.frames)
    if place.right is None:
        return audio
    right = read_audio(place.right, frames=place.frames)
    if not _fit(audio.info, right.info):
        raise InputError(f"{place.right}: does not fit its left side; join the two yourself.")
    samples = np.concatenate([audio.samples, right.samples], axis=1)
    return Audio(samples=samples, info=replace(audio.info, channels=2))


def right_sides(folder: Path, files: Sequence[str]) -> dict[str, str]:
    """Return the right side of each left one: mono files of one length named alike but for that.

    files : relative to `folder`.
    """
    by_name = {file.casefold(): file for file in files}
    found = {}
    for file in files:
        right = by_name.get(_name_of_right_side(file) or "")
        if right is not None and _are_sides(folder / file, folder / right):
            found[file] = right
    return found


def _name_of_right_side(file: str) -> str | None:
    """Return the name, in small letters, that the right side of a left one has."""
    path = PurePosixPath(file.casefold())
    match = _SIDE.fullmatch(path.stem)
    right = None if match is None else _RIGHT_OF.get(match["side"])
    if match is None or right is None:
        return None
    return path.with_name(f"{match['rest']}{right}{match['end']}{path.suffix}").as_posix()


def _are_sides(left: Path, right: Path) -> bool:
    try:
        return _fit(read_audio_info(left), read_audio_info(right))
    except InputError:  # told when it is read
        return False


def _fit(left: AudioInfo, right: AudioInfo) -> bool:
    return left.channels == right.channels == 1 and (left.rate, left.frames) == (
        right.rate,
        right.frames,
    )
