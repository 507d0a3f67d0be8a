"""The door through which formats are written from a manifest, ours and those of other packages.

A package adds a format with an entry point in the group ``keymapper.exporters``::

    [project.entry-points."keymapper.exporters"]
    my-format = "my_package:my_exporter"

where ``my_exporter(manifest)`` returns the files to be written: relative paths (with ``/``) and
their bytes. The samples lie where the zones of the manifest say. Our own SFZ and manifest come
through the same door.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from importlib.metadata import entry_points
from pathlib import Path, PurePosixPath

from keymapper.errors import OutputError, UsageError
from keymapper.exporting.sfz_file import sfz_document
from keymapper.formats.manifest import MANIFEST_NAME, write_manifest
from keymapper.formats.sfz import write_sfz
from keymapper.formats.toml_tables import nearest_name
from keymapper.mapping.safe_names import safe_name
from keymapper.model.instrument import Manifest

ENTRY_POINT_GROUP = "keymapper.exporters"
OWN_FORMATS = ("manifest", "sfz")

Exporter = Callable[[Manifest], Mapping[str, bytes]]


def export_sfz(manifest: Manifest) -> Mapping[str, bytes]:
    """Return the instrument as one SFZ file named after it."""
    text = write_sfz(sfz_document(manifest))
    return {sfz_name(manifest.name): text.encode("utf-8")}


def sfz_name(instrument: str) -> str:
    """Return the name of the SFZ file of an instrument."""
    return f"{safe_name(instrument)}.sfz"


def export_manifest(manifest: Manifest) -> Mapping[str, bytes]:
    """Return the manifest itself."""
    return {MANIFEST_NAME: write_manifest(manifest).encode("utf-8")}


def find_exporter(name: str) -> Exporter:
    """Return the exporter of a format.

    Raises
    ------
    UsageError
        No installed package brings it; the message names the nearest that is there.
    """
    found = {point.name: point for point in entry_points(group=ENTRY_POINT_GROUP)}
    if name not in found:
        nearest = nearest_name(name, found)
        hint = f"did you mean {nearest!r}?" if nearest else f"there are {', '.join(sorted(found))}."
        raise UsageError(f"no exporter is called {name!r}; {hint}")
    exporter: Exporter = found[name].load()
    return exporter


def export(manifest: Manifest, formats: Sequence[str], folder: Path) -> None:
    """Write a manifest in several formats under a folder.

    Raises
    ------
    UsageError
        A format is not known.
    OutputError
        An exporter names a file outside the folder, or one that is there already.
    """
    for name in formats:
        for file, content in find_exporter(name)(manifest).items():
            path = folder / _inside(file, name)
            if path.exists():
                raise OutputError(f"{path}: two exporters write this file; leave out {name!r}.")
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)


def _inside(file: str, exporter: str) -> PurePosixPath:
    path = PurePosixPath(file)
    if path.is_absolute() or ".." in path.parts or "\\" in file or not path.parts:
        raise OutputError(f"exporter {exporter!r} names {file!r}, outside the instrument's folder.")
    return path
