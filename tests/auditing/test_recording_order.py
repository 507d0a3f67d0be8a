"""Where the order of a recording is read from, the best source first."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pytest

from keymapper.auditing.packs import find_packs
from keymapper.auditing.reading import ReadPack, read_pack
from keymapper.auditing.recording_order import recording_order
from keymapper.formats.notes_file import notes_json
from keymapper.mapping.names.hints import NameHint
from keymapper.model.sample_facts import SampleTexts
from keymapper.model.session import CutNote, CutReport, CutTake
from tests.auditing.subjects import facts

KEYS = (60, 48, 55, 52)


def _pack(folder: Path, names: list[str]) -> ReadPack:
    for name in names:
        (folder / name).write_bytes(b"")
    (source,) = find_packs(folder)
    return read_pack(source, None)


def _hints(names: list[str]) -> dict[str, NameHint | None]:
    return {name: NameHint(key=key) for name, key in zip(names, KEYS, strict=True)}


def _order(folder: Path, names: list[str], stamps: list[str] | None = None):
    read = _pack(folder, names)
    texts = [SampleTexts(recorded=stamp) for stamp in stamps or [None] * len(names)]
    known = {name: replace(facts(), texts=text) for name, text in zip(names, texts, strict=True)}
    return recording_order(read, known, _hints(names))


@pytest.fixture
def names() -> list[str]:
    return [f"Tug {key}.wav" for key in KEYS]


def test_nothing_says_it(tmp_path, names):
    assert _order(tmp_path, names).source == "none"


def test_file_times_say_it_when_files_took_as_long_as_notes(tmp_path, names):
    _pack(tmp_path, names)
    for at, name in enumerate(names):
        os.utime(tmp_path / name, (1_000 + 6 * at, 1_000 + 6 * at))
    read = read_pack(find_packs(tmp_path)[0], None)
    order = recording_order(read, {name: facts() for name in names}, _hints(names))
    assert order.source == "file times"
    assert [order.place[name] for name in names] == pytest.approx([0.0, 0.1, 0.2, 0.3])


def test_numbers_in_names_are_better_and_keys_are_none(tmp_path, names):
    numbered = [f"{at:02d} {name}" for at, name in enumerate(names, 1)]
    order = _order(tmp_path, numbered)
    assert (order.source, order.in_minutes) == ("numbers in names", False)
    assert [order.place[name] for name in numbered] == [0.0, 1.0, 2.0, 3.0]


def test_time_stamps_are_better(tmp_path, names):
    numbered = [f"{at:02d} {name}" for at, name in enumerate(names, 1)]
    stamps = [f"2026-11-20T21:3{minute}:00" for minute in (3, 1, 0, 2)]
    order = _order(tmp_path, numbered, stamps)
    assert order.source == "bext time stamps"
    assert [order.place[name] for name in numbered] == [3.0, 1.0, 0.0, 2.0]


def test_equal_time_stamps_say_nothing(tmp_path, names):
    assert _order(tmp_path, names, ["2026-11-20T21:30:00"] * 4).source == "none"


def test_the_session_is_best(tmp_path, names):
    (tmp_path / "notes.json").write_bytes(notes_json(_report(names)))
    stamps = [f"2026-11-20T21:3{minute}:00" for minute in (3, 1, 0, 2)]
    order = _order(tmp_path, names, stamps)
    assert order.source == "session sheet"
    assert [order.place[name] for name in names] == pytest.approx([0.0, 1.0, 2.0, 3.0])


def test_the_session_of_a_patch_of_several_lies_above_it(tmp_path, names):
    patch = tmp_path / "bell-buoy"
    patch.mkdir()
    in_session = _report([f"bell-buoy/{name}" for name in names])
    (tmp_path / "notes.json").write_bytes(notes_json(in_session))
    order = _order(patch, names)
    assert order.source == "session sheet"
    assert [order.place[name] for name in names] == pytest.approx([0.0, 1.0, 2.0, 3.0])


def _report(names: list[str]) -> CutReport:
    take = CutTake(
        file="take.wav",
        rate_hz=48_000,
        channels=1,
        frames=48_000 * 400,
        missing_frames=0,
        latency_seconds=0.0,
        drift_ppm=0.0,
        onsets_matched=4,
        onsets_found=4,
        noise_floor_dbfs=-90.0,
    )
    notes = [
        CutNote(
            file=name,
            take=0,
            plan_index=at,
            role="note",
            patch=0,
            key=KEYS[at],
            velocity=100,
            round_robin=1,
            onset_seconds=10.0 + 60.0 * at,
            end_seconds=12.0 + 60.0 * at,
            first_frame=0,
            end_frame=48_000,
            peak_dbfs=-6.0,
            signal_to_noise_db=60.0,
        )
        for at, name in enumerate(names)
    ]
    return CutReport(
        latency_seconds=0.0, drift_ppm=0.0, missing=(), extra=(), notes=tuple(notes), takes=(take,)
    )
