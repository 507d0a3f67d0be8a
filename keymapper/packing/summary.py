"""What making or verifying a pack came to, in lines of text."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from keymapper.model.pack import PackFinding, PackManifest
from keymapper.wording import counted

_SHOWN = 3


def finding_lines(findings: Iterable[PackFinding]) -> list[str]:
    """Return findings as text, those of one rule and one instrument together, worst first."""
    groups: dict[tuple[str, str, str, str], list[PackFinding]] = {}
    for one in findings:
        subject = one.instrument or one.where.split(": ")[0]
        groups.setdefault((one.severity, one.rule, subject, one.waived), []).append(one)
    lines = []
    for (severity, rule, subject, waived), some in groups.items():
        mark = "waived" if waived else severity
        count = f" ({len(some)})" if len(some) > 1 else ""
        lines.append(f"{mark:<8} {rule}{count}: {subject}")
        for one in [] if waived else some[:_SHOWN]:
            place = one.where.removeprefix(subject).removeprefix(": ")
            lines.append("    " + ": ".join(part for part in (place, one.message) if part))
        if not waived and len(some) > _SHOWN:
            lines.append(f"    and {len(some) - _SHOWN} more")
        lines.append(f"    reason: {waived}" if waived else f"    {some[0].fix}")
    return lines


def balance_rows(manifest: PackManifest) -> list[tuple[str, ...]]:
    """Return how the instruments compare: name, phrase, loudness, peak, brightness, width, gain."""
    rows: list[tuple[str, ...]] = []
    for one in manifest.instruments:
        cells = ("no preview", "–", "–", "–", "–")
        if one.preview is not None:
            cells = (
                one.preview.kind,
                f"{one.preview.loudness_lufs:.1f} LUFS",
                f"{one.preview.true_peak_dbtp:.1f} dBTP",
                f"{one.preview.brightness_hz:.0f} Hz",
                f"{one.preview.width_percent:.0f} %",
            )
        rows.append((one.name, *cells, f"{one.gain_db:+.1f} dB"))
    return rows


BALANCE_HEADS = ("instrument", "phrase", "loudness", "peak", "brightness", "width", "gain")


def verdict(findings: Sequence[PackFinding]) -> str:
    """Return how many findings stop a pack, in one sentence."""
    errors = sum(one.severity == "error" for one in findings)
    warnings = sum(one.severity == "warning" and not one.waived for one in findings)
    waived = sum(bool(one.waived) for one in findings)
    counts = [counted(errors, "error"), counted(warnings, "warning"), f"{waived} waived"]
    return ", ".join(counts)
