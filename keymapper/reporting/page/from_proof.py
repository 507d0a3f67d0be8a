"""The content of the page of a proof where no manifest says what was built."""

from __future__ import annotations

from keymapper.model.proof import Proof
from keymapper.reporting.page.attention import findings_attention, gravest
from keymapper.reporting.page.content import PageContent
from keymapper.reporting.page.elements import number


def proof_content(proof: Proof) -> PageContent:
    """Return what the page of a proof shows by itself."""
    attention = findings_attention(proof.findings, {})
    tuned = [abs(note.tuning_cents) for note in proof.notes if note.tuning_cents is not None]
    figures = [
        ("Notes played", str(len(proof.notes))),
        ("Keys", str(len({note.key for note in proof.notes}))),
        ("Loops", str(len(proof.joins))),
    ]
    if tuned:
        figures.append(("Worst tuning as played", f"{max(tuned):.1f} ct"))
    unplayed = ", ".join(proof.unplayed_opcodes) or "none"
    how = (
        ("Instrument", proof.instrument),
        ("Reference", f"A4 = {number(proof.reference_hz, 2)} Hz"),
        ("Played at", f"{proof.rate} Hz"),
        ("Opcodes not played", unplayed),
        ("keymapper", proof.tool_version),
    )
    return PageContent(
        title=proof.instrument,
        kind="Proof",
        verdict=proof.verdict,
        grave=gravest(attention),
        figures=tuple(figures),
        attention=attention,
        layers=(),
        zones=(),
        notes=(),
        tuning=(),
        proof=proof,
        origin=(("How it was played", how),),
    )
