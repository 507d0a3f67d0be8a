"""An audit as data: JSON, and the tuning table as CSV."""

from __future__ import annotations

import csv
import io
from typing import Any

import msgspec

from keymapper.formats.manifest import pretty_json
from keymapper.model.finding import AuditReport, TuningRow


def report_json(report: AuditReport) -> str:
    """Return the report as indented JSON; `verdict`, `diagnosis` and `findings` lie at its top."""
    return pretty_json(msgspec.to_builtins(report))


def tuning_csv(report: AuditReport) -> str:
    """Return the tuning table of all packs as CSV, one row a zone."""
    names = ["pack", "set", *TuningRow.__dataclass_fields__]
    out = io.StringIO()
    writer = csv.DictWriter(out, names, lineterminator="\n")
    writer.writeheader()
    for pack in report.packs:
        for diagnosis in pack.diagnoses:
            for row in diagnosis.notes_table:
                cells = {name: getattr(row, name) for name in TuningRow.__dataclass_fields__}
                place = {"pack": pack.pack, "set": diagnosis.set_name}
                writer.writerow({name: _cell(value) for name, value in (place | cells).items()})
    return out.getvalue()


def _cell(value: Any) -> Any:
    """Return a cell that no spreadsheet takes for a formula; figures to a hundredth."""
    if isinstance(value, float):
        return f"{value:.2f}"
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return f"'{value}"
    return value
