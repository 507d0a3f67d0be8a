"""File names of cut notes: what the plan calls them, in letters every system takes."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence

from keymapper.model.session import PatchCall, PlannedNote

_LONGEST = 40
_FOLDERS = {"note": "", "sync": "count-in/", "reference": "reference/"}


def patch_folders(patches: Sequence[PatchCall]) -> list[str]:
    """Return a folder a patch (with its `/`); none where there is only one patch."""
    if len(patches) == 1:
        return [""]
    taken: set[str] = set()
    folders = []
    for number, patch in enumerate(patches, 1):
        name = plain_name(patch.name) or f"patch-{number}"
        if name in taken:
            name = f"{name[: _LONGEST - 4]}-{number}"
        taken.add(name)
        folders.append(f"{name}/")
    return folders


def planned_file_name(note: PlannedNote, patches: Sequence[PatchCall], suffix: str) -> str:
    """Return the file of a planned note, relative to the output folder."""
    stem = plain_name(patches[note.patch].name) or "note"
    folder = patch_folders(patches)[note.patch] + _FOLDERS[note.role]
    return f"{folder}{note_stem(stem, note.key, note.velocity, note.round_robin)}{suffix}"


def note_stem(stem: str, key: int | str | None, velocity: int, round_robin: int) -> str:
    """Return the file name of a note without its suffix; of one without a key, by its sound."""
    played = f"{key:03d}" if isinstance(key, int) else key
    return f"{stem}_{played}_v{velocity:03d}_rr{round_robin}"


def extra_file_name(number: int, suffix: str) -> str:
    """Return the file of a note that was not planned."""
    return f"extra/extra_{number:03d}{suffix}"


def plain_name(text: str) -> str:
    """Return text as a-z, 0-9 and dashes, at most 40 characters; empty where nothing is left."""
    ascii_text = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode("ascii")
    return re.sub(r"[^a-z0-9]+", "-", ascii_text.lower()).strip("-")[:_LONGEST].strip("-")
