"""Write the page beside what it is about; whatever else lies there is left alone."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from keymapper.auditing.built_diagnosis import diagnosed_build
from keymapper.errors import OutputError
from keymapper.exporting.publish import write_text
from keymapper.formats.manifest import manifest_beside
from keymapper.model.instrument import Manifest
from keymapper.model.proof import Proof
from keymapper.reporting.page.content import FolderData
from keymapper.reporting.page.document import page_document
from keymapper.reporting.page.from_instrument import instrument_content
from keymapper.reporting.page.from_proof import proof_content
from keymapper.reporting.page.gathering import begin_gathering, samples_to_view
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
    return begin_instrument_page(folder, manifest, workers)(proof)


def begin_instrument_page(
    folder: Path, manifest: Manifest, workers: Workers | None = None
) -> Callable[[Proof | None], Path]:
    """Have workers look at the samples, while others go on; return what writes the page."""
    gathered = begin_gathering(samples_to_view(manifest), folder, workers)

    def write(proof: Proof | None) -> Path:
        path = folder / PAGE_NAME
        write_page(instrument_page(manifest, proof, gathered(), workers), path)
        return path

    return write


def instrument_page(
    manifest: Manifest, proof: Proof | None, data: FolderData, workers: Workers | None = None
) -> str:
    """Return the page of an instrument as HTML text; the same input gives the same text.

    proof : how it plays; None leaves that part out.
    data : what was gathered from the samples in the instrument's folder.
    """
    content = instrument_content(manifest, proof, data, diagnosed_build(manifest))
    return page_document(content, workers=workers)


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
    write_page(proof_page(proof), page)
    return page


def proof_page(proof: Proof) -> str:
    """Return the page of a proof by itself, without samples, as HTML text."""
    return page_document(proof_content(proof))


def write_page(text: str, path: Path) -> None:
    """Write a page; an older page is replaced, any other file is left alone.

    Raises
    ------
    OutputError
        Another kind of file has that name, or the place cannot be written.
    """
    if path.exists() and _MARK not in page_head(path):
        raise OutputError(f"{path}: is no page of ours and is not replaced; move it away.")
    write_text(path, text)


def page_head(path: Path) -> str:
    """Return how a page begins; nothing where there is none."""
    if not path.is_file():
        return ""
    with path.open("rb") as file:
        return file.read(4096).decode("utf-8", errors="replace")
