"""The page of an audit; apart, so that a build need not load what audits take."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from keymapper.auditing.audit import AuditedPack
from keymapper.model.finding import AuditReport
from keymapper.reporting.page.document import page_document
from keymapper.reporting.page.from_audit import audit_content, audit_fingerprint, gather_audit
from keymapper.reporting.page.writing import page_head, write_page
from keymapper.workers import Workers


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
    if f'content="{made_from}"' not in page_head(page):
        data = gather_audit(audited, page.parent, workers)
        content = audit_content(report, audited, data, page.parent)
        write_page(page_document(content, made_from, workers), page)
    return page
