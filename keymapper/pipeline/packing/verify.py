"""Verify a pack as a buyer would receive it."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

from keymapper.errors import InputError, MeasurementError
from keymapper.model.pack import PackFinding, PackManifest, Waiver
from keymapper.packing.checking import content_findings, opened_instrument, read_pack_manifest
from keymapper.packing.findings import pack_finding, sorted_findings
from keymapper.packing.gate import waived
from keymapper.packing.opening import OpenedPack, open_pack
from keymapper.packing.writing import PACK_MANIFEST_NAME
from keymapper.pipeline.packing.ready import Surroundings, judgement
from keymapper.pipeline.packing.settings import PackSettings
from keymapper.workers import Workers


@dataclass(frozen=True, slots=True, kw_only=True)
class VerifiedPack:
    """What was found; the manifest is None where the pack was not opened."""

    manifest: PackManifest | None
    files: int
    findings: tuple[PackFinding, ...]


def verify_pack(path: Path, settings: PackSettings | None = None) -> VerifiedPack:
    """Check an archive, or a folder it was unpacked to: form, checksums, contents, audit, proof.

    An archive is unpacked into a temporary folder, once it is known to be harmless. What a step
    finds wrong with the pack as a whole ends the check there.

    Raises
    ------
    InputError
        There is no such file or folder, or it cannot be read.
    """
    settings = settings or PackSettings()
    with (
        tempfile.TemporaryDirectory(prefix="keymapper-") as name,
        Workers(settings.workers) as pool,
    ):
        around = Surroundings(
            base=Path(name),
            work=Path(name),
            pool=pool,
            cache=settings.cache,
            progress=settings.progress,
        )
        return checked_pack(path, around)


def checked_pack(path: Path, around: Surroundings) -> VerifiedPack:
    """Check an archive or a folder with workers that run already; an archive is unpacked to work.

    Raises
    ------
    InputError
        There is no such file or folder, or it cannot be read.
    """
    opened = open_pack(path, around.work / "pack")
    if opened.folder is None or opened.findings:
        return _verdict(None, opened, list(opened.findings))
    try:
        manifest = read_pack_manifest(opened.folder)
    except InputError as error:
        finding = pack_finding("pack-manifest", PACK_MANIFEST_NAME, str(error))
        return _verdict(None, opened, [finding])
    findings = content_findings(opened.folder, manifest, opened.files)
    if not findings:
        findings = _played(manifest, replace(around, base=opened.folder))
    return _verdict(manifest, opened, findings)


def _verdict(
    manifest: PackManifest | None, opened: OpenedPack, findings: list[PackFinding]
) -> VerifiedPack:
    return VerifiedPack(
        manifest=manifest, files=len(opened.files), findings=sorted_findings(findings)
    )


def _played(manifest: PackManifest, around: Surroundings) -> list[PackFinding]:
    """Return what audit and proof find that the pack's documents do not own up to."""
    findings: list[PackFinding] = []
    for number, packed in enumerate(manifest.instruments):
        instrument = opened_instrument(around.base, manifest, number)
        try:
            found, _ = judgement(instrument, (around.base / packed.sfz).parent, around)
        except (InputError, MeasurementError) as error:
            findings.append(pack_finding("reference-missing", packed.sfz, str(error)))
            continue
        owned = [
            Waiver(rule=one.rule, reason=one.waived) for one in packed.waived if one.waived.strip()
        ]
        findings += waived(found, owned)[0]
    return findings
