"""Findings and waivers."""

import pytest

from keymapper.model.pack import PackFinding, Waiver
from keymapper.model.proof import ProofFinding
from keymapper.packing.findings import sorted_findings, stopping
from keymapper.packing.gate import proof_findings, unused_waivers, waived
from keymapper.packing.summary import finding_lines


def finding(rule="proof-tuning", severity="warning", where="Lantern: a.wav: C4 v100"):
    return PackFinding(
        rule=rule,
        severity=severity,
        where=where,
        message="is off",
        fix="mend it",
        instrument="Lantern",
    )


def reason_given(found, **waiver):
    marked, _ = waived([found], [Waiver(reason="as recorded", **waiver)])
    return marked[0].waived


@pytest.mark.parametrize(
    "waiver",
    [
        {"rule": "proof-tuning"},
        {"rule": "proof"},
        {"rule": "proof-tuning", "instrument": "lantern"},
        {"rule": "proof-tuning", "file": "a.wav"},
    ],
)
def test_a_waiver_covers_its_rule_family_instrument_and_file(waiver):
    assert reason_given(finding(), **waiver) == "as recorded"


@pytest.mark.parametrize(
    "waiver",
    [
        {"rule": "proof-tun"},
        {"rule": "tuning"},
        {"rule": "proof", "instrument": "Knock"},
        {"rule": "proof", "file": "b.wav"},
    ],
)
def test_a_waiver_covers_nothing_else(waiver):
    assert reason_given(finding(), **waiver) == ""


@pytest.mark.parametrize("name", ["Stab: Night", "Stab"])
def test_a_name_with_a_colon_is_a_name(name):
    found = ProofFinding(
        rule="proof-tuning",
        severity="warning",
        file="a.wav",
        zone="C4 v100",
        measured=3.0,
        limit=2.0,
        unit="cents",
        message="is off",
        fix="mend it",
    )
    (finding,) = proof_findings("Stab: Night", [found])
    waiver = {"rule": "proof", "instrument": name}
    assert reason_given(finding, **waiver) == ("as recorded" if name == "Stab: Night" else "")
    assert reason_given(finding, rule="proof", file="a.wav") == "as recorded"
    assert reason_given(finding, rule="proof", file="Night") == ""
    heading, place, _ = finding_lines([finding])
    assert heading.endswith(": Stab: Night")
    assert place.strip().startswith("a.wav: C4 v100")


def test_errors_are_never_waived():
    assert reason_given(finding(severity="error"), rule="proof") == ""


def test_what_stops_a_pack():
    error, warning = finding(severity="error"), finding()
    note = finding(severity="note")
    marked, used = waived([warning], [Waiver(rule="proof", reason="so be it")])
    assert stopping((error, warning, note)) == (error, warning)
    assert stopping(tuple(marked)) == ()
    assert len(used) == 1


def test_waivers_that_fit_nothing_are_told():
    waivers = [Waiver(rule="proof", reason="r"), Waiver(rule="loop", reason="r")]
    _, used = waived([finding()], waivers)
    assert [one.where for one in unused_waivers(waivers, used)] == ["loop"]


def test_a_waiver_needs_a_reason():
    with pytest.raises(ValueError, match="reason"):
        Waiver(rule="proof", reason="  ")


def test_findings_come_worst_first_and_once():
    error, warning = finding(severity="error"), finding()
    assert sorted_findings([warning, error, warning]) == (error, warning)
