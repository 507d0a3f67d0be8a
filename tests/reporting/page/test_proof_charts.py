"""The worst figures of a proof beside their limits."""

from __future__ import annotations

from dataclasses import replace

from keymapper.model.proof import Proof
from keymapper.proving.judging import Heard, findings_of
from keymapper.reporting.page.elements import element_text
from keymapper.reporting.page.proof_charts import proof_figures


def _sharp(proof: Proof, error_cents: float) -> str:
    """Return the figures of a proof of one note 2.05 cents sharp, known so well."""
    (note, *_) = proof.notes
    sharp = replace(note, tuning_cents=2.05, tuning_error_cents=error_cents, movement_cents=0.0)
    heard = Heard(notes=(sharp,))
    judged = replace(
        proof,
        notes=heard.notes,
        level_steps=(),
        hand_overs=(),
        joins=(),
        findings=findings_of(heard, proof.limits),
    )
    return "".join(map(element_text, proof_figures(judged, ())))


def test_a_figure_over_its_limit_is_marked_only_where_that_is_sure(built):
    assert "bar over" in _sharp(built.proof, 0.0)
    text = _sharp(built.proof, 0.5)
    assert "+2.05 ct" in text
    assert "bar over" not in text
