"""The report page: an instrument, a proof or an audit, seen and heard in a browser, in one file.

::

    gathering.py                    samples ─▶ FolderData: waveforms, joins, pitch, previews
    from_instrument/_proof/_audit   manifest, proof, report + FolderData ─▶ PageContent
    sections.py, close_ups.py       PageContent ─▶ elements, with charts.py and the *_charts.py
    document.py                     elements + page.css + page.js + data ─▶ HTML text
    writing.py                      HTML text ─▶ report.html; audit_page.py for an audit
"""

from __future__ import annotations

from collections.abc import Sequence

from keymapper.model.finding import Diagnosis
from keymapper.model.instrument import Manifest
from keymapper.model.proof import Proof
from keymapper.reporting.page.content import FolderData
from keymapper.reporting.page.document import page_document
from keymapper.reporting.page.from_instrument import instrument_content
from keymapper.reporting.page.from_proof import proof_content
from keymapper.reporting.page.gathering import gather_folder
from keymapper.reporting.page.writing import (
    PAGE_NAME,
    begin_instrument_page,
    write_instrument_page,
    write_proof_page,
)

__all__ = [
    "PAGE_NAME",
    "FolderData",
    "begin_instrument_page",
    "gather_folder",
    "instrument_page",
    "proof_page",
    "write_instrument_page",
    "write_proof_page",
]


def instrument_page(
    manifest: Manifest,
    proof: Proof | None,
    folder_data: FolderData,
    diagnoses: Sequence[Diagnosis] = (),
) -> str:
    """Return the page of an instrument as HTML text; the same input gives the same text.

    proof : how it plays; None leaves that part out.
    folder_data : what `gather_folder` found in the instrument's folder.
    diagnoses : why the notes of each layer are out of tune, to be drawn in; without, the notes
    alone are drawn.
    """
    return page_document(instrument_content(manifest, proof, folder_data, diagnoses))


def proof_page(proof: Proof) -> str:
    """Return the page of a proof by itself, without samples, as HTML text."""
    return page_document(proof_content(proof))
