"""How a sample begins and ends is judged by what is played of it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from keymapper.auditing.audit import AuditSettings, audit_path
from keymapper.model.finding import Finding
from tests.faulty_packs import with_smpl
from tests.simple_notes import RATE, note

KEY, F0_HZ = 57, 220.0
LOOP = 24_000, 60_000
HEAD, TAIL = "edge-click-at-head", "edge-click-at-tail"


def _crest(samples: np.ndarray, after: int = 24_000) -> int:
    """A frame in the middle of a note at which its wave is highest."""
    return after + int(np.argmax(np.abs(samples[after : after + RATE // 100, 0])))


def _found(folder: Path, rule: str) -> list[Finding]:
    (audited,) = audit_path(folder, AuditSettings(workers=1))
    return [one for one in audited.judgement.findings if one.rule == rule]


def _pack(folder: Path, *regions: str, samples: np.ndarray | None = None) -> Path:
    folder.mkdir()
    sound = note(F0_HZ) if samples is None else samples
    soundfile.write(folder / "a.wav", sound, RATE, subtype="PCM_24")
    lines = [f"<region> sample=a.wav pitch_keycenter={KEY} {region}" for region in regions]
    (folder / "pack.sfz").write_text("\n".join(lines) + "\n")
    return folder


def test_an_offset_into_a_wave_clicks_where_it_begins(tmp_path):
    crest = _crest(note(F0_HZ))
    regions = (f"lokey=40 hikey={KEY}", f"lokey={KEY + 1} hikey=70 offset={crest}")
    (found,) = _found(_pack(tmp_path / "in", *regions), HEAD)
    assert found.zone is not None
    assert "line 2" in found.zone
    assert f"frame {crest}" in found.message
    assert found.measured == pytest.approx(0.0, abs=1.0)


@pytest.mark.parametrize("region", ["offset={} ampeg_attack=0.005", "offset=120", "offset=999999"])
def test_what_fades_in_or_begins_in_silence_does_not(tmp_path, region):
    crest = _crest(note(F0_HZ))
    assert _found(_pack(tmp_path / "in", f"key={KEY} " + region.format(crest)), HEAD) == []


def test_a_head_that_every_zone_passes_over_is_not_heard(tmp_path):
    samples = note(F0_HZ, lead_seconds=0.2)
    samples[0] = 0.3
    folder = _pack(tmp_path / "in", f"key={KEY} offset=4800", samples=samples)
    assert _found(folder, HEAD) == []
    (folder / "pack.sfz").write_text(f"<region> sample=a.wav key={KEY}\n")
    assert len(_found(folder, HEAD)) == 1


def test_of_several_sounds_in_a_file_each_begins_for_itself(tmp_path):
    one = note(F0_HZ, lead_seconds=0.0, decay_seconds=0.4)
    other = _crest(one, after=1_000)
    samples = np.concatenate([one, np.zeros((4_800, 1)), one[other:]])
    first = len(one) + 4_800
    regions = (f"key={KEY} end={len(one)}", f"key={KEY + 1} offset={first}")
    (found,) = _found(_pack(tmp_path / "in", *regions, samples=samples), HEAD)
    assert f"frame {first}" in found.message


@pytest.mark.parametrize(("loop", "clicks"), [(LOOP, 0), (None, 1)])
def test_a_file_that_loops_by_itself_never_ends(tmp_path, loop, clicks):
    """One that no zone plays is judged as whatever reads its chunk would play it."""
    folder = _pack(tmp_path / "in", f"key={KEY}")
    soundfile.write(tmp_path / "cut.wav", note(F0_HZ)[: RATE + 40], RATE, subtype="PCM_24")
    content = (tmp_path / "cut.wav").read_bytes()
    (folder / "spare.wav").write_bytes(with_smpl(content, KEY, loop, RATE))
    found = _found(folder, TAIL)
    assert [one.file for one in found] == ["spare.wav"] * clicks
