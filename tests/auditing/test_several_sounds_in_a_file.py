"""Instruments that play stretches of one long file: each zone is judged by its own sound."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from keymapper.auditing.audit import AuditedPack, AuditSettings, audit_path
from keymapper.auditing.fixes.writing import write_fixes
from keymapper.formats.sfz import read_sfz
from tests.simple_notes import RATE, note

KEYS = (48, 52, 56, 60)
PAUSE_FRAMES = RATE // 4
ALONG = 12_000, 36_000
"""A loop, from the start of its sound."""


def _pack(folder: Path, sharp_cents: dict[int, float], *, loops: bool = False) -> Path:
    """Write a pack of one file; return its SFZ. Its name says a key that only one zone has."""
    sounds, regions, first = [], [], 0
    for key in KEYS:
        frequency_hz = 440 * 2 ** ((key - 69 + sharp_cents.get(key, 0.0) / 100) / 12)
        sound = note(frequency_hz, lead_seconds=0, decay_seconds=None if loops else 0.4)
        sounds += [sound, np.zeros((PAUSE_FRAMES, 1))]
        opcodes = f"lokey={key - 2} hikey={key + 1} pitch_keycenter={key} offset={first}"
        opcodes += f" end={first + len(sound) - 1}"
        if loops:
            start, end = (first + frame for frame in ALONG)
            opcodes += f" loop_mode=loop_continuous loop_start={start} loop_end={end}"
        regions.append(f"<region> sample=All_C2.wav {opcodes}")
        first += len(sound) + PAUSE_FRAMES
    folder.mkdir()
    soundfile.write(folder / "All_C2.wav", np.concatenate(sounds), RATE, subtype="PCM_24")
    (folder / "pack.sfz").write_text("\n".join(regions) + "\n")
    return folder / "pack.sfz"


def _audited(folder: Path) -> AuditedPack:
    (audited,) = audit_path(folder, AuditSettings(workers=1))
    return audited


def test_a_sound_pack_has_nothing_to_complain_of(tmp_path):
    _pack(tmp_path / "in", {})
    audited = _audited(tmp_path / "in")
    assert [finding.rule for finding in audited.judgement.findings] == []
    cents = [zone.deviation.cents for zone in audited.pack.zones()]
    assert cents == pytest.approx([0.0] * 4, abs=0.2)


def test_the_zone_that_is_off_is_told_and_tuned(tmp_path):
    _pack(tmp_path / "in", {56: 14.0})
    audited = _audited(tmp_path / "in")
    (finding,) = [one for one in audited.judgement.findings if one.rule == "tuning-off"]
    assert finding.zone is not None
    assert "line 3" in finding.zone
    before = (tmp_path / "in" / "All_C2.wav").read_bytes()
    write_fixes([audited], tmp_path / "out", force=False, workers=1)
    regions = read_sfz(next((tmp_path / "out").rglob("*.sfz"))).regions
    assert [region.tune_cents for region in regions] == [0, 0, -14, 0]
    assert next((tmp_path / "out").rglob("*.wav")).read_bytes() == before


def test_loops_are_judged_where_they_lie(tmp_path):
    _pack(tmp_path / "in", {}, loops=True)
    zones = list(_audited(tmp_path / "in").pack.zones())
    for zone in zones:
        assert zone.loop is not None
        assert zone.loop.join is not None
        first = zone.region.offset_frames
        assert zone.loop.loop.start_frame - first == ALONG[0]
        assert zone.loop.loop.end_frame - first == ALONG[1] + 1
        assert zone.facts is not None
        assert zone.facts.measurement.course.onset_frame >= first


def test_zones_that_play_the_same_file_from_elsewhere_share_its_facts(tmp_path):
    folder = tmp_path / "in"
    _pack(folder, {})
    text = "<region> sample=All_C2.wav key=60\n<region> sample=All_C2.wav key=61 offset=500\n"
    text += "<region> sample=All_C2.wav key=62 end=-1\n"  # plays nothing
    (folder / "pack.sfz").write_text(text)
    assert not any(zone.shares_file for zone in _audited(folder).pack.zones())
