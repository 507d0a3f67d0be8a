"""Look through an opened pack: it must be what its manifest and its instruments say."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path, PurePosixPath

import msgspec

from keymapper.errors import InputError, KeymapperError
from keymapper.formats.audio_file import AUDIO_SUFFIXES
from keymapper.formats.flac_texts import read_flac_metadata
from keymapper.formats.json_numbers import has_huge_numbers
from keymapper.formats.sfz import SfzReading, read_sfz
from keymapper.formats.wav_chunks import read_chunk, read_embedded_hints, read_wav_layout
from keymapper.formats.wav_texts import info_tags
from keymapper.mapping.safe_names import safe_name
from keymapper.model.pack import (
    DeclaredInstrument,
    PackedFile,
    PackFinding,
    PackManifest,
    PackRecipe,
)
from keymapper.packing.documents import BOOKLET_PAGE, BOOKLET_TEXT, LICENCE_NAME
from keymapper.packing.findings import pack_finding
from keymapper.packing.instrument import ReadyInstrument, ready_instrument, sample_labels
from keymapper.packing.metadata import SampleLabel, flac_comments, info_tags_of
from keymapper.packing.names import LONGEST_PATH
from keymapper.packing.previews import SUFFIXES
from keymapper.packing.writing import INSTRUMENTS, PACK_MANIFEST_NAME, PREVIEWS

_LARGEST_MANIFEST = 256 << 20
_AGREEING = ("ROOT_KEY", "LOOP_START", "LOOP_LENGTH", "LICENSE")
_WAV_CHUNKS = ("bext", "iXML", "smpl", "inst")


def read_pack_manifest(folder: Path) -> PackManifest:
    """Return the manifest of an unpacked pack.

    Raises
    ------
    InputError
        There is none, it is not one of this version, or not what the schema asks for.
    """
    path = folder / PACK_MANIFEST_NAME
    if not path.is_file():
        raise InputError(
            f"{PACK_MANIFEST_NAME}: is not there; name an archive, or the folder it unpacks to."
        )
    try:
        if path.stat().st_size > _LARGEST_MANIFEST:
            raise InputError(f"{PACK_MANIFEST_NAME}: is too large for a manifest.")
        content = path.read_bytes()
        head = msgspec.json.decode(content, type=dict)
        if head.get("format") != "keymapper-pack":
            raise InputError(f"{PACK_MANIFEST_NAME}: is no manifest of a pack.")
        if head.get("format_version") != 1:
            raise InputError(f"{PACK_MANIFEST_NAME}: is of a newer version; update keymapper.")
        if has_huge_numbers(content.decode("utf-8")):
            raise InputError(f"{PACK_MANIFEST_NAME}: is not valid (no number in one is so large).")
        manifest = msgspec.json.decode(content, type=PackManifest, strict=True)
        recipe_of(manifest)
        return manifest
    except OSError as error:
        raise InputError(f"{PACK_MANIFEST_NAME}: cannot be read ({error.strerror}).") from error
    except (msgspec.MsgspecError, ValueError, RecursionError) as error:
        raise InputError(f"{PACK_MANIFEST_NAME}: is not valid ({error}).") from error


def content_findings(
    folder: Path, manifest: PackManifest, files: Sequence[PackedFile]
) -> list[PackFinding]:
    """Return where files, manifest, names, references, documents and metadata do not agree.

    folder : the pack's top folder. files : all that are there but the checksums.
    """
    findings = [
        *_listing_findings(manifest, files),
        *_name_findings(files),
        *_document_findings(manifest, files),
    ]
    played: set[str] = set()
    for number, packed in enumerate(manifest.instruments):
        sfz = folder / packed.sfz
        if packed.sfz not in {one.file for one in files}:
            findings.append(pack_finding("file-missing", packed.sfz, "is not there"))
            continue
        try:
            reading = read_sfz(sfz)
            findings += _reference_findings(packed.sfz, reading)
            ready = opened_instrument(folder, manifest, number)
        except KeymapperError as error:
            findings.append(pack_finding("reference-missing", packed.sfz, str(error)))
            continue
        place = PurePosixPath(packed.sfz).parent
        played |= {(place / ready.relative(path)).as_posix() for path in ready.infos}
        findings += metadata_findings(ready, recipe_of(manifest))
    return findings + list(_unused_findings(files, played))


def opened_instrument(folder: Path, manifest: PackManifest, number: int) -> ReadyInstrument:
    """Return an instrument of an unpacked pack.

    Raises
    ------
    InputError
        It cannot be read.
    """
    packed = manifest.instruments[number]
    place = PurePosixPath(packed.sfz)
    declared = DeclaredInstrument(
        folder=place.parent.as_posix(), name=packed.name, sources=packed.sources
    )
    return ready_instrument(folder / place.parent, declared, place.parent.name)


def recipe_of(manifest: PackManifest) -> PackRecipe:
    """Return what of the maker's recipe the labels of the samples are made from."""
    return PackRecipe(
        title=manifest.title,
        version=manifest.version,
        maker=manifest.maker,
        year=manifest.year,
        released=manifest.released,
        contact=manifest.contact,
        licence=manifest.licence,
        instrument=tuple(DeclaredInstrument(folder=one.sfz) for one in manifest.instruments),
    )


def _listing_findings(manifest: PackManifest, files: Sequence[PackedFile]) -> Iterator[PackFinding]:
    listed = {one.file: one for one in manifest.files}
    actual = {one.file: one for one in files if one.file != PACK_MANIFEST_NAME}
    for name in sorted(listed.keys() - actual.keys()):
        yield pack_finding("file-missing", name, f"is listed in {PACK_MANIFEST_NAME} only")
    for name in sorted(actual.keys() - listed.keys()):
        yield pack_finding("file-unknown", name, f"is not listed in {PACK_MANIFEST_NAME}")
    for name in sorted(actual.keys() & listed.keys()):
        if actual[name] != listed[name]:
            yield pack_finding("sum-differs", name, f"is not as {PACK_MANIFEST_NAME} says")


def _name_findings(files: Sequence[PackedFile]) -> Iterator[PackFinding]:
    seen: set[str] = set()
    for one in files:
        parts = PurePosixPath(one.file).parts
        unsafe = next((part for part in parts if safe_name(part, longest=255) != part), None)
        if unsafe is not None:
            yield pack_finding("file-name", one.file, "has a name that not every system takes")
        if len(one.file) > LONGEST_PATH:
            yield pack_finding("file-name", one.file, "has a path that is too long")
        if one.file.casefold() in seen:
            yield pack_finding("file-name", one.file, "differs from another by case alone")
        seen.add(one.file.casefold())


def _document_findings(
    manifest: PackManifest, files: Sequence[PackedFile]
) -> Iterator[PackFinding]:
    names = {one.file for one in files}
    wanted = [BOOKLET_PAGE, BOOKLET_TEXT, LICENCE_NAME]
    for packed in manifest.instruments:
        if packed.preview is not None:
            stem = PurePosixPath(packed.sfz).stem
            wanted += [f"{PREVIEWS}/{stem}{suffix}" for suffix in SUFFIXES]
    for name in wanted:
        if name not in names:
            yield pack_finding("pack-document", name, "is not in the pack")


def _reference_findings(sfz: str, reading: SfzReading) -> Iterator[PackFinding]:
    missing = {
        region.sample
        for region in reading.regions
        if region.sample_path is None and not region.is_generator
    }
    for sample in sorted(missing):
        yield pack_finding("reference-missing", f"{sfz}: {sample}", "is not in the pack")
    for problem in reading.problems:
        if problem.kind == "wrong-case":
            yield pack_finding("reference-missing", f"{sfz}: {problem.subject}", problem.message)


def _unused_findings(files: Sequence[PackedFile], played: set[str]) -> Iterator[PackFinding]:
    for one in files:
        path = PurePosixPath(one.file)
        is_sample = path.parts[0] == INSTRUMENTS and path.suffix in AUDIO_SUFFIXES
        if is_sample and one.file not in played:
            yield pack_finding("reference-unused", one.file, "is played by no instrument")


def metadata_findings(instrument: ReadyInstrument, recipe: PackRecipe) -> list[PackFinding]:
    """Return where the metadata of samples is missing, or not what their instrument says."""
    findings: list[PackFinding] = []
    for path, label in sample_labels(instrument, recipe).items():
        where = f"{instrument.name}: {instrument.relative(path)}"
        if instrument.infos[path].container == "FLAC":
            findings += _flac_findings(path, label, where)
        else:
            findings += _wav_findings(path, label, where)
    return findings


def _flac_findings(path: Path, label: SampleLabel, where: str) -> Iterator[PackFinding]:
    comments = dict(read_flac_metadata(path).comments)
    for name, text in flac_comments(label).items():
        if text and name not in comments:
            yield pack_finding("metadata-missing", where, f"has no {name}")
        elif text and name in _AGREEING and comments[name] != text:
            yield pack_finding("metadata-differs", where, f"says {name} {comments[name]}")


def _wav_findings(path: Path, label: SampleLabel, where: str) -> Iterator[PackFinding]:
    tags: dict[str, str] = {}
    present = set()
    for place in read_wav_layout(path).chunks:
        present.add(place.id)
        if place.id == "LIST":
            body = read_chunk(path, place)
            tags |= dict(info_tags(body)) if body[:4] == b"INFO" else {}
    for name in _WAV_CHUNKS:
        if name not in present:
            yield pack_finding("metadata-missing", where, f"has no {name} chunk")
    for name, text in info_tags_of(label).items():
        if text and not tags.get(name):
            yield pack_finding("metadata-missing", where, f"has no {name}")
    hints = read_embedded_hints(path)
    if hints is not None and hints.root_key != label.root_key:
        yield pack_finding("metadata-differs", where, f"says root {hints.root_key}")
    if hints is not None and hints.loop != label.loop:
        yield pack_finding("metadata-differs", where, "says another loop than the instrument")
