"""Write the page beside what it is about; whatever else lies there is left alone."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from keymapper.auditing.audit import AuditedPack
from keymapper.auditing.built_diagnosis import diagnosed_build
from keymapper.errors import OutputError
from keymapper.exporting.publish import write_text
from keymapper.formats.manifest import manifest_beside
from keymapper.model.finding import AuditReport
from keymapper.model.instrument import Manifest
from keymapper.model.proof import Proof
from keymapper.reporting.page.document import page_document
from keymapper.reporting.page.from_audit import audit_content, audit_fingerprint, gather_audit
from keymapper.reporting.page.from_instrument import instrument_content
from keymapper.reporting.page.from_proof import proof_content
from keymapper.reporting.page.gathering import gather_folder
from keymapper.workers import Workers

PAGE_NAME = "report.html"
_MARK = '<meta name="generator" content="keymapper'


def write_instrument_page(
    folder: Path, manifest: Manifest, proof: Proof | None, workers: Workers | None = None
) -> Path:
    """Write the page of an instrument into its folder and return its path.

    Raises
    ------
    OutputError
        Another kind of file has that name, or the place cannot be written.
    """
    data = gather_folder(manifest, folder, workers)
    path = folder / PAGE_NAME
    content = instrument_content(manifest, proof, data, diagnosed_build(manifest))
    _write(page_document(content), path)
    return path


def write_proof_page(sfz: Path, proof: Proof, page: Path, workers: Workers | None = None) -> Path:
    """Write the page of a proof and return its path.

    Into the instrument's folder where a manifest lies beside the SFZ file, so that the page has
    everything; else to `page`, with what was played alone.

    Raises
    ------
    InputError
        The manifest cannot be read.
    OutputError
        Another kind of file has that name, or the place cannot be written.
    """
    manifest = manifest_beside(sfz)
    if manifest is not None:
        return write_instrument_page(sfz.parent, manifest, proof, workers)
    _write(page_document(proof_content(proof)), page)
    return page


def write_audit_page(
    report: AuditReport,
    audited: Sequence[AuditedPack],
    page: Path,
    workers: Workers | None = None,
) -> Path:
    """Write the page of an audit and return its path.

    A page that was made from the very same is left as it is: nothing has to be decoded again.

    Raises
    ------
    OutputError
        Another kind of file has that name, or the place cannot be written.
    """
    made_from = audit_fingerprint(report, audited, page.parent)
    if f'content="{made_from}"' not in _head(page):
        data = gather_audit(audited, page.parent, workers)
        content = audit_content(report, audited, data, page.parent)
        _write(page_document(content, made_from), page)
    return page


def _write(text: str, path: Path) -> None:
    """Write a page; an older page is replaced, any other file is left alone."""
    if path.exists() and _MARK not in _head(path):
        raise OutputError(f"{path}: is no page of ours and is not replaced; move it away.")
    write_text(path, text)


def _head(path: Path) -> str:
    if not path.is_file():
        return ""
    with path.open("rb") as file:
        return file.read(4096).decode("utf-8", errors="replace")
