"""The report page: an instrument, a proof or an audit, seen and heard in a browser, in one file.

::

    gathering.py                    samples ─▶ FolderData: waveforms, joins, pitch, previews
    from_instrument/_proof/_audit   manifest, proof, report + FolderData ─▶ PageContent
    sections.py, close_ups.py       PageContent ─▶ elements, with charts.py and the *_charts.py
    document.py                     elements + page.css + page.js + data ─▶ HTML text
    writing.py                      HTML text ─▶ report.html; audit_page.py for an audit
"""

from keymapper.reporting.page.content import FolderData
from keymapper.reporting.page.writing import (
    PAGE_NAME,
    begin_instrument_page,
    instrument_page,
    proof_page,
    write_instrument_page,
    write_proof_page,
)

__all__ = [
    "PAGE_NAME",
    "FolderData",
    "begin_instrument_page",
    "instrument_page",
    "proof_page",
    "write_instrument_page",
    "write_proof_page",
]
