"""What can stand in the way of a pack: the rules of packing, each with what to do."""

from __future__ import annotations

from keymapper.model.finding import GRAVITY, Severity
from keymapper.model.pack import PackFinding

_ERRORS = {
    "archive-form": "download it again, or make it again with `keymapper pack`",
    "archive-unsafe": "do not unpack it; ask its maker for another",
    "archive-damaged": "download it again",
    "sum-differs": "download it again",
    "sum-missing": "make the pack again; every file needs a checksum",
    "file-missing": "unpack the archive again",
    "file-unknown": "remove it, or make the pack again with it",
    "file-name": "make the pack again; names are made safe then",
    "pack-manifest": "make the pack again with `keymapper pack`",
    "pack-document": "make the pack again; its documents belong to it",
    "reference-missing": "make the pack again; an instrument names a sample that is not there",
    "reference-unused": "make the pack again; no instrument plays this sample",
    "metadata-missing": "make the pack again; its samples are labelled then",
    "metadata-differs": "make the pack again; root and loop are written from the instrument",
    "rights-undeclared": 'add sources = [{ what = "…", rights = "own" }], or their licence',
    "rights-unknown": "name an SPDX id, or a LicenseRef-… with passing_on = true or false",
    "rights-forbid": "leave the sound out, or get a licence that allows selling it on",
    "rights-credit": 'add credit = "…" to the source',
    "rights-share-alike": "publish the pack under the same licence, or leave the sound out",
    "licence-text": "add licence_file, the text of your licence",
    "sample-format": "convert it to WAV or FLAC, or build the instrument again",
    "gain-too-high": "choose a lower balance_db",
    "budget-exceeded": "allow more, choose fewer bits or mono, or build smaller instruments",
}
_NOTES = {
    "waiver-unused": "remove the waiver",
    "rights-differ": "see that this is meant; its samples are labelled with their own licence",
    "manifest-left-out": "build it again where the manifest is to go along",
}
_WARNINGS = {
    "preview-silent": "choose another preview, or a MIDI file within the instrument's keys",
}
_RULES: dict[str, tuple[Severity, str]] = {
    **{rule: ("error", fix) for rule, fix in _ERRORS.items()},
    **{rule: ("warning", fix) for rule, fix in _WARNINGS.items()},
    **{rule: ("note", fix) for rule, fix in _NOTES.items()},
}


def pack_finding(rule: str, where: str, message: str) -> PackFinding:
    """Return a finding of one of the rules of packing."""
    severity, fix = _RULES[rule]
    return PackFinding(rule=rule, severity=severity, where=where, message=message, fix=fix)


def sorted_findings(findings: list[PackFinding]) -> tuple[PackFinding, ...]:
    """Return findings by gravity, rule and place, each once."""
    return tuple(
        sorted(
            dict.fromkeys(findings),
            key=lambda one: (-GRAVITY[one.severity], one.rule, one.where, one.message),
        )
    )


def stopping(findings: tuple[PackFinding, ...]) -> tuple[PackFinding, ...]:
    """Return what stops a pack: errors, and warnings that are not waived."""
    return tuple(
        one
        for one in findings
        if one.severity == "error" or (one.severity == "warning" and not one.waived)
    )
