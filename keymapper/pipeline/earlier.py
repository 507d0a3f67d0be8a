"""What an earlier build left in a folder: all that a new one may replace."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from keymapper.errors import InputError
from keymapper.exporting.exporters import find_exporter, sfz_name
from keymapper.formats.folder import RECIPE_NAME
from keymapper.formats.manifest import MANIFEST_NAME, instrument_files, read_manifest

PROOF_NAME = "proof.json"


def built_files(folder: Path, formats: Sequence[str]) -> frozenset[str]:
    """Return the files of an earlier build in a folder; none where there is none.

    The recipe is among them: every build carries it over.

    formats : exporters of other packages that write again; what others wrote is not known.
    """
    from keymapper.reporting.page import PAGE_NAME

    built = instrument_files(folder)
    if built is None:
        return frozenset()
    own = (MANIFEST_NAME, sfz_name(built.name), PROOF_NAME, PAGE_NAME, RECIPE_NAME)
    return frozenset({*own, *built.samples, *_exported(folder / MANIFEST_NAME, formats)})


def _exported(path: Path, formats: Sequence[str]) -> Iterator[str]:
    """Yield the files that exporters write from a manifest that this version can read."""
    if not formats:
        return
    try:
        manifest = read_manifest(path.read_text("utf-8"), str(path))
    except InputError:
        return
    for name in formats:
        yield from find_exporter(name)(manifest)
