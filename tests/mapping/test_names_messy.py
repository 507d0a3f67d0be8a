"""The messy folder is as messy as it says, and its names are read for what they are."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from keymapper.mapping.names import MeasuredHint, hints_from_names
from tests.messy_folder import CENTS, ExpectedFile, write_messy_folder


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder: Path = tmp_path_factory.mktemp("messy") / "Lamp"
    write_messy_folder(folder)
    return folder


@pytest.fixture(scope="module")
def expected(tmp_path_factory: pytest.TempPathFactory) -> tuple[ExpectedFile, ...]:
    return write_messy_folder(tmp_path_factory.mktemp("messy_again") / "Lamp")


def test_every_file_is_expected(folder: Path, expected: tuple[ExpectedFile, ...]) -> None:
    files = [path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()]
    assert sorted(files) == [each.file for each in expected]


def test_usable_files_sound_in_their_key(folder: Path, expected: tuple[ExpectedFile, ...]) -> None:
    for each in expected:
        if each.outcome != "used":
            continue
        samples, rate = soundfile.read(folder / each.file, always_2d=True)
        steady = samples[rate // 2 : rate + rate // 2, 0]
        spectrum = np.abs(np.fft.rfft((steady - steady.mean()) * np.hanning(len(steady)), 1 << 20))
        assert each.key is not None
        wanted = 440.0 * 2.0 ** ((each.key + CENTS / 100 - 69) / 12)
        near = slice(int(wanted * 0.9 / rate * 2**20), int(wanted * 1.1 / rate * 2**20))
        found = (near.start + int(np.argmax(spectrum[near]))) * rate / 2**20
        assert abs(1200 * np.log2(found / wanted)) < 2.0, each.file


def test_only_the_wrong_names_are_contradicted(expected: tuple[ExpectedFile, ...]) -> None:
    notes = [each for each in expected if each.key is not None]
    measured = [
        MeasuredHint(root_key=each.key, confidence=0.98, tuning_cents=each.tuning_cents or 0.0)
        for each in notes
    ]
    hints = hints_from_names([each.file for each in notes], measured)
    assert (hints.middle_c_octave, hints.offset_semitones) == (4, 0)
    assert [(c.name, c.named) for c in hints.contradictions] == [
        ("Lamp A3.wav", 57),
        ("Lamp B3.wav", 59),
    ]
    for each, hint in zip(notes, hints.notes, strict=True):
        wrong = each.fault in ("wrong name", "wrong octave")
        assert hint.key == (None if wrong else each.named_key), each.file


def test_names_of_useless_files_disturb_nothing(expected: tuple[ExpectedFile, ...]) -> None:
    hints = hints_from_names([each.file for each in expected], [None] * len(expected))
    for each, hint in zip(expected, hints.notes, strict=True):
        if each.key is not None:
            assert hint.key == each.named_key, each.file
