"""Make a pack: gate, previews, balance, editions, archives."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from keymapper.exporting.publish import published_folder, refuse_overlap, write_text
from keymapper.model.pack import (
    PackFinding,
    PackManifest,
    PackRecipe,
    PreviewFacts,
    SoundSource,
    Waiver,
)
from keymapper.packing.archive import SUMS_NAME
from keymapper.packing.balance import balance_gains, gain_bounds, own_gain_findings
from keymapper.packing.documents import documents, pack_materials
from keymapper.packing.findings import sorted_findings, stopping
from keymapper.packing.gate import unused_waivers, waived
from keymapper.packing.instrument import ReadyInstrument
from keymapper.packing.metadata import source_label
from keymapper.packing.names import MEDLEY, top_folder
from keymapper.packing.previews import (
    PreviewOrder,
    silent_findings,
    write_medley,
    write_preview,
)
from keymapper.packing.rights import rights_findings
from keymapper.packing.writing import EditionOrder, write_edition
from keymapper.pipeline.packing.editions import edition_instruments
from keymapper.pipeline.packing.ready import Surroundings, built_folders, ready_instruments
from keymapper.pipeline.packing.settings import PackSettings
from keymapper.pipeline.packing.verify import checked_pack
from keymapper.progress import followed
from keymapper.workers import Workers

ARCHIVE_SUFFIX = ".zip"
_WORK = "work"


@dataclass(frozen=True, slots=True, kw_only=True)
class EditionResult:
    """One archive that was written."""

    edition: str
    archive: str
    """Its file name."""
    size: int
    sha256: str
    manifest: PackManifest


@dataclass(frozen=True, slots=True, kw_only=True)
class PackResult:
    """What making a pack came to."""

    findings: tuple[PackFinding, ...]
    """Worst first; waived ones with their reasons."""
    editions: tuple[EditionResult, ...]
    """None at all where the findings stopped the pack."""


class _Stopped(Exception):  # noqa: N818 - a verdict, carried out of the unfinished folder
    def __init__(self, findings: tuple[PackFinding, ...]) -> None:
        super().__init__()
        self.findings = findings


def default_pack_target(recipe: PackRecipe) -> Path:
    """Return where a pack goes when nobody says: beside you, named after it."""
    return Path(f"{top_folder(recipe.title, recipe.version, None)}-pack")


def make_pack(
    recipe: PackRecipe, base: Path, target: Path, settings: PackSettings | None = None
) -> PackResult:
    """Make the archives of a pack in a folder of their own, whole or not at all.

    base : the folder that paths in the recipe are relative to.

    Raises
    ------
    InputError, UsageError
        A file the recipe names cannot be used.
    OutputError
        `target` exists already, or cannot be written.
    """
    settings = settings or PackSettings()
    rights = sorted_findings(rights_findings(recipe))
    if stopping(rights):
        return PackResult(findings=rights, editions=())
    refuse_overlap(target, _sources(recipe, base))
    try:
        with (
            published_folder(target, replace=settings.replace, earlier=_packed_files) as to,
            Workers(settings.workers) as pool,
        ):
            around = Surroundings(
                base=base,
                work=to / _WORK,
                pool=pool,
                cache=settings.cache,
                progress=settings.progress,
            )
            around.work.mkdir()
            result = _made(recipe, to, around)
            shutil.rmtree(around.work)
            sums = "".join(f"{one.sha256}  {one.archive}\n" for one in result.editions)
            write_text(to / SUMS_NAME, sums)
            return result
    except _Stopped as stopped:
        return PackResult(findings=stopped.findings, editions=())


def _sources(recipe: PackRecipe, base: Path) -> Iterator[Path]:
    """Yield the folder of every instrument, or of the recordings of one."""
    for one in recipe.instrument:
        source = base / one.folder
        yield source.parent if source.is_file() else source


def _packed_files(folder: Path) -> frozenset[str]:
    """Return the files of an earlier pack in a folder; none where there is none."""
    try:
        lines = (folder / SUMS_NAME).read_text("utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        return frozenset()
    names = [line.partition("  ")[2] for line in lines]
    return frozenset({SUMS_NAME, *(name for name in names if name.endswith(ARCHIVE_SUFFIX))})


def _made(recipe: PackRecipe, to: Path, around: Surroundings) -> PackResult:
    """Write the archives into a folder, or raise what stops them."""
    materials = pack_materials(recipe, around.base)
    built = built_folders(recipe.instrument, around)
    full = ready_instruments(recipe.instrument, built, around)
    editions = [
        edition_instruments(one, full, built, around.work / "editions" / str(number), around)
        for number, one in enumerate(recipe.edition)
    ]
    findings, used, editions = _gated(recipe, editions)
    _stop_at(sorted_findings([*findings, *unused_waivers(recipe.waiver, used)]))
    previews = _previews(recipe, full, around)
    levels = [
        gain_bounds(preview, [instruments[number] for instruments in editions])
        for number, preview in enumerate(previews)
    ]
    silent, more_used = waived(silent_findings(full, previews), recipe.waiver)
    unused = unused_waivers(recipe.waiver, used | more_used)
    too_loud = own_gain_findings(recipe, levels)
    every = sorted_findings([*rights_findings(recipe), *findings, *silent, *too_loud, *unused])
    _stop_at(every)
    gains = balance_gains(levels, even=recipe.balance == "even")
    results = []
    for edition, instruments in zip(recipe.edition, editions, strict=True):
        several = edition.name if len(recipe.edition) > 1 else None
        order = EditionOrder(
            recipe=recipe,
            edition=edition.name,
            top=top_folder(recipe.title, recipe.version, several),
            instruments=instruments,
            previews=previews,
            gains_db=gains,
            preview_folder=_preview_folder(around),
            documents=partial(documents, recipe, materials, instruments),
            progress=around.progress,
        )
        results.append(_written(order, to))
    _stop_at(_findings_of_archives(recipe, results, to, around))
    return PackResult(findings=every, editions=tuple(results))


def _findings_of_archives(
    recipe: PackRecipe, results: Sequence[EditionResult], to: Path, around: Surroundings
) -> tuple[PackFinding, ...]:
    """Return what a buyer would find wrong with the archives, before anybody gets them.

    The gate has seen what goes into them; this sees what came out.
    """
    found: list[PackFinding] = []
    for one in results:
        work = around.work / "check"
        work.mkdir()
        checked = checked_pack(to / one.archive, replace(around, work=work))
        shutil.rmtree(work)
        marked, _ = waived(checked.findings, recipe.waiver)
        found += [replace(finding, where=f"{one.archive}: {finding.where}") for finding in marked]
    return sorted_findings(found)


def _stop_at(findings: tuple[PackFinding, ...]) -> None:
    if stopping(findings):
        raise _Stopped(findings)


def _gated(
    recipe: PackRecipe, editions: Sequence[tuple[ReadyInstrument, ...]]
) -> tuple[list[PackFinding], set[Waiver], list[tuple[ReadyInstrument, ...]]]:
    """Return all findings with the reasons of those waived, the waivers used, and the editions."""
    every: list[PackFinding] = []
    used: set[Waiver] = set()
    marked = []
    for instruments in editions:
        own = []
        for instrument in instruments:
            findings, waivers = waived(instrument.findings, recipe.waiver)
            used |= waivers
            every += findings
            own.append(replace(instrument, findings=tuple(findings)))
        marked.append(tuple(own))
    return every, used, marked


def _preview_folder(around: Surroundings) -> Path:
    return around.work / "previews"


def _previews(
    recipe: PackRecipe, instruments: Sequence[ReadyInstrument], around: Surroundings
) -> tuple[PreviewFacts | None, ...]:
    """Write the preview of every instrument and the medley; return what was measured."""
    folder = _preview_folder(around)
    orders = [
        PreviewOrder(
            sfz=one.sfz,
            facts=one.facts,
            choice=one.declared.preview,
            midi=None if one.declared.midi is None else around.base / one.declared.midi,
            target=folder / one.folder_name,
            tags=_tags(recipe, one.name, one.declared.sources),
        )
        for one in instruments
    ]
    results = around.pool.run(write_preview, orders)
    facts = tuple(followed(results, "Previews", len(orders), around.progress))
    heard = [
        order.target.with_name(f"{order.target.name}.flac")
        for order, preview in zip(orders, facts, strict=True)
        if preview is not None
    ]
    if len(heard) > 1:
        every = [source for one in instruments for source in one.declared.sources]
        write_medley(heard, folder / MEDLEY, _tags(recipe, f"{recipe.title} in short", every))
    return facts


def _tags(recipe: PackRecipe, title: str, sources: Sequence[SoundSource]) -> dict[str, str]:
    label = source_label(recipe, sources)
    return {
        "title": title,
        "album": label["product"],
        "artist": label["maker"],
        "copyright": label["copyright"],
        "license": label["licence"],
        "date": label["date"],
    }


def _written(order: EditionOrder, to: Path) -> EditionResult:
    archive = to / f"{order.top}{ARCHIVE_SUFFIX}"
    manifest = write_edition(order, archive)
    with archive.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    return EditionResult(
        edition=order.edition,
        archive=archive.name,
        size=archive.stat().st_size,
        sha256=digest,
        manifest=manifest,
    )
