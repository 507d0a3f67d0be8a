"""Names of the files of a corrected copy: as they are, but for those not every system takes."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePosixPath

from keymapper.auditing.rules.file_names import unsafe_reason
from keymapper.formats.folded_names import folded
from keymapper.mapping.safe_names import safe_name


def new_names(files: Sequence[str]) -> dict[str, str]:
    """Return the new path of every file: unsafe parts made safe, clashing ones numbered."""
    taken: set[str] = set()
    renamed = {}
    for file in files:
        path = PurePosixPath(*map(_safe_part, PurePosixPath(file).parts))
        candidate, number = path, 2
        while folded(candidate.as_posix()) in taken:
            candidate = path.with_name(f"{path.stem}_{number}{path.suffix}")
            number += 1
        taken.add(folded(candidate.as_posix()))
        renamed[file] = candidate.as_posix()
    return renamed


def _safe_part(name: str) -> str:
    if not unsafe_reason(name):
        return name
    stem, dot, suffix = name.rpartition(".")
    if dot and stem and suffix.isalnum() and len(suffix) <= 5:
        return f"{safe_name(stem)}.{suffix}"
    return safe_name(name)
