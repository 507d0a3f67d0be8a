"""The documents of a pack: a booklet to print, the same in plain text, and the licence."""

from __future__ import annotations

from keymapper.model.keys import key_name
from keymapper.model.pack import InstrumentFacts, PackedInstrument, PackFinding, PackManifest
from keymapper.packing.rights import source_text
from keymapper.wording import printable

LOUD_NOTE = (
    "Turn your volume down before you first play an instrument or a preview: loops sustain for as "
    "long as a key is held, and previews are as loud as finished music."
)
LOADING = (
    "Unpack the archive and keep its folders together.",
    "Open an .sfz file below instruments/ in any player that reads the SFZ format. The samples are "
    "found by their place beside it.",
    "Where a player does not show the controls by name, move the controllers by their numbers.",
    "How players differ lies with them: no particular player is promised to read everything.",
)
CHECKING = (
    "SHA256SUMS lists the checksum of every file: `sha256sum --check SHA256SUMS` in this folder "
    "tells whether all of them arrived whole."
)


def booklet_text(manifest: PackManifest) -> str:
    """Return the booklet in plain text."""
    title = f"{manifest.title} {manifest.version}"
    lines = [title, "=" * len(title)]
    lines += [f"by {manifest.maker}, {manifest.released or manifest.year}", ""]
    lines += [f"Edition: {manifest.edition}"]
    lines += [manifest.description, ""] if manifest.description else [""]
    lines += [LOUD_NOTE, "", *_headed("Instruments", [])]
    for instrument in manifest.instruments:
        lines += [f"{instrument.name}  ({instrument.sfz})"]
        lines += [f"  {instrument.description}"] if instrument.description else []
        lines += [f"  {name}: {text}" for name, text in instrument_rows(instrument)]
        lines += [""]
    lines += _headed("How to load them", [f"{n}. {step}" for n, step in enumerate(LOADING, 1)])
    lines += _headed("Licence and sources", licence_lines(manifest))
    lines += _headed("Credits", list(manifest.credits)) if manifest.credits else []
    lines += _headed("Let stand", waived_lines(manifest)) if waived_lines(manifest) else []
    lines += _headed("Versions", history_lines(manifest)) if manifest.history else []
    lines += _headed("Is everything here?", [CHECKING])
    return "\n".join(printable(line) for line in lines).rstrip() + "\n"


def _headed(title: str, lines: list[str]) -> list[str]:
    return [title, "-" * len(title), *lines, *([""] if lines else [])]


def instrument_rows(instrument: PackedInstrument) -> list[tuple[str, str]]:
    """Return what the booklet says of an instrument, as (name, text)."""
    facts = instrument.facts
    return [
        ("Keys", f"{key_name(facts.low_key)} to {key_name(facts.high_key)} (C4 is middle C)"),
        ("Zones", f"{facts.zones} of {facts.samples} samples"),
        ("Velocity layers", str(facts.velocity_layers)),
        ("Round robins", str(facts.round_robins) if facts.round_robins > 1 else "none"),
        ("Voices a note", str(facts.voices)),
        ("Sustain", _sustain(facts)),
        *([("Key switches", ", ".join(facts.switches))] if facts.switches else []),
        ("Controls", ", ".join(facts.controls) or "none"),
        ("Samples", _format(facts)),
        ("On disk", megabytes(facts.file_bytes)),
        ("In memory", f"{megabytes(facts.memory_bytes)} decoded to 32-bit floats"),
        ("Proof", instrument.proof),
    ]


def _sustain(facts: InstrumentFacts) -> str:
    if facts.one_shots:
        return "one-shots: play to their end"
    return "looped" if facts.looped else "not looped: a held key plays to the end of its sample"


def _format(facts: InstrumentFacts) -> str:
    rates = " and ".join(f"{rate / 1000:g} kHz" for rate in facts.rates)
    bits = " and ".join(map(str, facts.bits))
    sides = " and ".join({1: "mono", 2: "stereo"}.get(n, str(n)) for n in facts.channels)
    return f"{rates}, {bits} bits, {sides}"


def megabytes(size: int) -> str:
    """Return a size in MB of 1 000 000 bytes."""
    return f"{size / 1e6:.1f} MB"


def licence_lines(manifest: PackManifest) -> list[str]:
    """Return what is declared about rights."""
    return [
        f"© {manifest.year} {manifest.maker}. Licence: {manifest.licence}; see LICENSE.txt.",
        *([f"Contact: {manifest.contact}"] if manifest.contact else []),
        *(
            f"{instrument.name}: {source_text(source)}"
            for instrument in manifest.instruments
            for source in instrument.sources
        ),
        manifest.rights_note,
    ]


def waived_findings(manifest: PackManifest) -> list[PackFinding]:
    """Return all warnings that were let stand."""
    return [finding for one in manifest.instruments for finding in one.waived]


def waived_lines(manifest: PackManifest) -> list[str]:
    """Return each reason for which warnings were let stand, with what it covers."""
    reasons: dict[tuple[str, str], list[str]] = {}
    for finding in waived_findings(manifest):
        reasons.setdefault((finding.rule, finding.waived), []).append(finding.where)
    return [
        f"{rule}: {reason} ({len(places)}: {', '.join(places[:3])}{' …' * (len(places) > 3)})"
        for (rule, reason), places in reasons.items()
    ]


def history_lines(manifest: PackManifest) -> list[str]:
    """Return the versions, with what changed."""
    return [
        f"{release.version} ({release.date}): {'; '.join(release.changes)}"
        for release in manifest.history
    ]
