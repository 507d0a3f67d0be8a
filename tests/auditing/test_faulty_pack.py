"""The demo pack with planted faults: rendered to the same bytes, and every fault is found."""

from __future__ import annotations

import importlib
import json
import sys
from pathlib import Path
from typing import Any

import pytest
import soundfile

from keymapper.auditing.audit import AuditedPack, AuditSettings, audit_path

SAMPLE_SETS = Path(__file__).parents[2] / "sample_sets"
PACK = SAMPLE_SETS / "faulty-pack"
LARGEST_BYTES = 3_000_000
TRUTH: dict[str, Any] = json.loads((PACK / "faults.json").read_text(encoding="utf-8"))
FOLLOWING = {"level-noise-within", "level-step-keys"}
"""A click is heard as noise too, and a clipped note is louder."""


@pytest.fixture(scope="module")
def audited() -> AuditedPack:
    (one,) = audit_path(PACK, AuditSettings(workers=1))
    return one


def test_it_is_rendered_to_the_same_bytes(tmp_path):
    sys.path.insert(0, str(SAMPLE_SETS))
    try:
        importlib.import_module("render_faulty_pack").render(tmp_path)
    finally:
        sys.path.remove(str(SAMPLE_SETS))
    rendered = {path.relative_to(tmp_path / "faulty-pack") for path in tmp_path.rglob("*.*")}
    kept = {path.relative_to(PACK) for path in PACK.rglob("*.*")}
    assert rendered == kept
    same_encoder = soundfile.__libsndfile_version__ == TRUTH["encoder"]
    for name in sorted(kept):
        if same_encoder or name.suffix not in (".flac", ".json"):
            assert (tmp_path / "faulty-pack" / name).read_bytes() == (PACK / name).read_bytes()


def test_it_stays_small():
    assert sum(path.stat().st_size for path in PACK.rglob("*.*")) < LARGEST_BYTES


@pytest.mark.parametrize("fault", TRUTH["faults"], ids=lambda fault: fault["rule"])
def test_every_planted_fault_is_found(audited, fault):
    found = [one for one in audited.judgement.findings if one.rule == fault["rule"]]
    assert found
    assert fault["file"] is None or fault["file"] in [one.file for one in found]


def test_nothing_else_is_found(audited):
    grave = {one.rule for one in audited.judgement.findings if one.severity != "note"}
    assert grave - FOLLOWING == {fault["rule"] for fault in TRUTH["faults"]}


def test_the_drift_is_explained(audited):
    (diagnosis,) = audited.diagnoses
    assert diagnosis.order_from == "bext time stamps"
    assert diagnosis.warm_up is not None
    assert diagnosis.warm_up.depth_cents.value == pytest.approx(TRUTH["settling_cents"], rel=0.1)
    assert diagnosis.warm_up.settling_minutes == pytest.approx(TRUTH["settling_minutes"], rel=0.2)
    assert diagnosis.offset_cents.value == pytest.approx(TRUTH["offset_cents"], abs=0.5)
    assert diagnosis.outliers == ("samples/Horn Eb4.wav",)
