"""Write one edition of a pack: every file, in the order of the archive."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import msgspec

from keymapper import __version__
from keymapper.errors import OutputError
from keymapper.formats.file_parts import whole_file
from keymapper.formats.manifest import MANIFEST_NAME, pretty_json, write_manifest
from keymapper.model.pack import (
    PackedInstrument,
    PackManifest,
    PackRecipe,
    PreviewFacts,
)
from keymapper.packing.archive import PackContent, PackWriter
from keymapper.packing.instrument import ReadyInstrument, packed_manifest, sample_labels
from keymapper.packing.metadata import labelled_sample
from keymapper.packing.names import MEDLEY
from keymapper.packing.previews import SUFFIXES
from keymapper.packing.rights import RIGHTS_NOTE
from keymapper.packing.sfz_text import packed_sfz
from keymapper.progress import Progress

PACK_MANIFEST_NAME = "pack.json"
INSTRUMENTS, PREVIEWS = "instruments", "previews"

Documents = Callable[[PackManifest], Mapping[str, bytes]]


@dataclass(frozen=True, slots=True, kw_only=True)
class EditionOrder:
    """One edition to be written."""

    recipe: PackRecipe
    edition: str
    top: str
    instruments: tuple[ReadyInstrument, ...]
    previews: tuple[PreviewFacts | None, ...]
    """One an instrument."""
    gains_db: tuple[float, ...]
    preview_folder: Path
    """Holds NAME.flac and NAME.ogg of each preview, and the medley."""
    documents: Documents
    """Booklet, licence and cover, once it is known what is in the pack."""
    progress: Progress


def write_edition(order: EditionOrder, archive: Path) -> PackManifest:
    """Write an edition as an archive; return what is in it.

    Raises
    ------
    InputError
        A sample can no longer be read.
    OutputError
        The archive cannot be written, or a sample cannot be labelled.
    """
    try:
        with archive.open("xb") as file, PackWriter(file, order.top) as writer:
            renamed = _write_instruments(order, writer)
            for content in _preview_contents(order):
                writer.add(content)
            manifest = _pack_manifest(order, renamed)
            for name, document in sorted(order.documents(manifest).items()):
                writer.add(PackContent(file=name, parts=(document,)))
            manifest = replace(manifest, files=tuple(writer.files))
            text = pretty_json(msgspec.to_builtins(manifest)).encode("utf-8")
            writer.add(PackContent(file=PACK_MANIFEST_NAME, parts=(text,)))
            writer.finish()
    except OSError as error:
        raise OutputError(f"{archive}: cannot be written ({error.strerror or error}).") from error
    return manifest


def _write_instruments(order: EditionOrder, writer: PackWriter) -> list[tuple[str, str]]:
    """Write samples, SFZ and manifest of every instrument; return the samples renamed."""
    renamed: list[tuple[str, str]] = []
    count = sum(len(one.infos) for one in order.instruments)
    done = 0
    for instrument, gain_db in zip(order.instruments, order.gains_db, strict=True):
        place = f"{INSTRUMENTS}/{instrument.folder_name}"
        names = instrument.new_names()
        labels = sample_labels(instrument, order.recipe)
        sums: dict[str, str] = {}
        for path, info in instrument.infos.items():
            name = names[instrument.relative(path)]
            loudness = instrument.loudness.get(path)
            parts = labelled_sample(path, info, labels[path], loudness)
            writer.add(PackContent(file=f"{place}/{name}", parts=parts))
            sums[name] = writer.files[-1].sha256
            done += 1
            order.progress("Packing", done, count)
        for content in _instrument_texts(instrument, names, sums, gain_db):
            writer.add(content)
        moved = [(old, new) for old, new in names.items() if old != new]
        renamed += [(f"{place}/{old}", f"{place}/{new}") for old, new in moved]
    return renamed


def _instrument_texts(
    instrument: ReadyInstrument, names: Mapping[str, str], sums: Mapping[str, str], gain_db: float
) -> list[PackContent]:
    own = {
        region.sample: names[instrument.relative(region.sample_path)]
        for region in instrument.reading.regions
        if region.sample_path is not None
    }
    sfz = packed_sfz(instrument.reading, own, gain_db).encode("utf-8")
    contents = [PackContent(file=sfz_place(instrument), parts=(sfz,))]
    if instrument.manifest is not None:
        manifest = write_manifest(packed_manifest(instrument.manifest, names, sums, gain_db))
        place = f"{INSTRUMENTS}/{instrument.folder_name}/{MANIFEST_NAME}"
        contents.append(PackContent(file=place, parts=(manifest.encode("utf-8"),)))
    return contents


def sfz_place(instrument: ReadyInstrument) -> str:
    """Return where the SFZ of an instrument lies in the pack."""
    return f"{INSTRUMENTS}/{instrument.folder_name}/{instrument.folder_name}.sfz"


def _preview_contents(order: EditionOrder) -> list[PackContent]:
    names = [
        instrument.folder_name
        for instrument, preview in zip(order.instruments, order.previews, strict=True)
        if preview is not None
    ]
    if len(names) > 1:
        names.append(MEDLEY)
    return [
        PackContent(
            file=f"{PREVIEWS}/{name}{suffix}",
            parts=(whole_file(order.preview_folder / f"{name}{suffix}"),),
        )
        for name in names
        for suffix in SUFFIXES
    ]


def _pack_manifest(order: EditionOrder, renamed: Sequence[tuple[str, str]]) -> PackManifest:
    """Return the manifest without the list of files, which grows until it is written itself."""
    recipe = order.recipe
    return PackManifest(
        tool_version=__version__,
        title=recipe.title,
        version=recipe.version,
        edition=order.edition,
        maker=recipe.maker,
        year=recipe.year,
        released=recipe.released,
        contact=recipe.contact,
        licence=recipe.licence,
        description=recipe.description,
        credits=recipe.credits,
        rights_note=RIGHTS_NOTE,
        instruments=tuple(
            PackedInstrument(
                name=one.name,
                sfz=sfz_place(one),
                has_manifest=one.manifest is not None,
                description=one.declared.description,
                facts=one.facts,
                preview=preview,
                gain_db=gain_db,
                sources=one.declared.sources,
                proof=one.proof,
                waived=tuple(finding for finding in one.findings if finding.waived),
            )
            for one, preview, gain_db in zip(
                order.instruments, order.previews, order.gains_db, strict=True
            )
        ),
        history=recipe.history,
        renamed=tuple(renamed),
        files=(),
    )
