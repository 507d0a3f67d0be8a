"""The report page: an instrument or an audit to be seen and heard in a browser, in one file.

::

    gathering.py        folder ─▶ FolderData: waveforms, joins, pitch, previews
    from_instrument.py  manifest + proof + FolderData ─▶ PageContent
    sections.py         PageContent ─▶ elements, with charts.py and the *_charts.py
    document.py         elements + page.css + page.js + data ─▶ HTML text
"""

from __future__ import annotations

from keymapper.model.finding import Diagnosis
from keymapper.model.instrument import Manifest
from keymapper.model.proof import Proof
from keymapper.reporting.page.content import FolderData
from keymapper.reporting.page.document import page_document
from keymapper.reporting.page.from_instrument import instrument_content
from keymapper.reporting.page.gathering import gather_folder

__all__ = ["FolderData", "gather_folder", "instrument_page"]


def instrument_page(
    manifest: Manifest,
    proof: Proof | None,
    folder_data: FolderData,
    diagnosis: Diagnosis | None = None,
) -> str:
    """Return the page of an instrument as HTML text; the same input gives the same text.

    proof : how it plays; None leaves that part out.
    folder_data : what `gather_folder` found in the instrument's folder.
    diagnosis : why its notes are out of tune, to be drawn in; None draws the notes alone.
    """
    return page_document(instrument_content(manifest, proof, folder_data, diagnosis))
