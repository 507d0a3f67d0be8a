"""Kept measurements: found by content, never trusted when damaged, kept under a size."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

import keymapper
from keymapper.auditing.cache import FactsCache, default_folder, measuring_files, open_cache
from keymapper.auditing.facts import FactsOrder
from keymapper.auditing.measuring_files import facts_or_reason
from tests.auditing.subjects import facts
from tests.simple_notes import write_note
from tests.source_code import imported_modules


@pytest.fixture
def cache(tmp_path: Path) -> FactsCache:
    return FactsCache(folder=tmp_path / "cache", limit_bytes=1_000_000, code="1")


@pytest.fixture
def content(tmp_path: Path) -> Path:
    path = tmp_path / "note.wav"
    path.write_bytes(b"some audio")
    return path


def test_what_was_kept_comes_back(cache: FactsCache, content: Path):
    key = cache.key(content, "440")
    assert cache.read(key) is None
    cache.write(key, facts())
    assert cache.read(key) == facts()


def test_another_content_question_or_version_is_another_entry(cache: FactsCache, content: Path):
    key = cache.key(content, "440")
    assert cache.key(content, "442") != key
    other = FactsCache(folder=cache.folder, limit_bytes=1, code="2")
    assert other.key(content, "440") != key
    content.write_bytes(b"other audio")
    assert cache.key(content, "440") != key


@pytest.mark.parametrize("damage", [b"", b"rubbish", b"\xff\xfe\n{}"])
def test_a_damaged_entry_is_thrown_away(cache: FactsCache, content: Path, damage: bytes):
    key = cache.key(content, "440")
    cache.write(key, facts())
    (entry,) = cache.folder.glob("??/*.facts")
    entry.write_bytes(damage)
    assert cache.read(key) is None
    assert not entry.exists()


def test_one_changed_figure_is_noticed(cache: FactsCache, content: Path):
    key = cache.key(content, "440")
    cache.write(key, facts())
    (entry,) = cache.folder.glob("??/*.facts")
    entry.write_bytes(entry.read_bytes().replace(b'"rate":48000', b'"rate":48001'))
    assert cache.read(key) is None


def test_what_was_measured_by_other_code_is_not_found():
    package = Path(keymapper.__file__).parent
    files = set(measuring_files())
    for file in files:
        for module in imported_modules(file) if file.suffix == ".py" else ():
            if module.startswith("keymapper."):
                place = package.joinpath(*module.split(".")[1:])
                needed = place / "__init__.py" if place.is_dir() else place.with_suffix(".py")
                assert needed in files, f"{file} imports {module}"


def test_what_has_not_been_used_for_longest_goes_first(cache: FactsCache):
    for number in range(10):
        cache.write(f"{number:02d}key", facts())
    entries = sorted(cache.folder.glob("??/*.facts"))
    for age, entry in enumerate(entries):
        os.utime(entry, (1_000_000 + age, 1_000_000 + age))
    size = entries[0].stat().st_size
    small = FactsCache(folder=cache.folder, limit_bytes=5 * size, code="1")
    small.prune()
    assert sorted(cache.folder.glob("??/*.facts")) == entries[6:]


def test_a_file_is_measured_once(cache: FactsCache, tmp_path: Path, monkeypatch):
    write_note(tmp_path / "a.wav", 60)
    order = FactsOrder(path=tmp_path / "a.wav", reference_hz=440.0, loops=())
    first = facts_or_reason(cache, order)
    monkeypatch.setattr("keymapper.auditing.measuring_files.sample_facts", _forbidden)
    assert facts_or_reason(cache, order) == first


def _forbidden(order: FactsOrder) -> None:
    raise AssertionError(f"{order.path} is measured again")


def test_a_folder_that_cannot_be_written_keeps_nothing(content: Path):
    blocked = FactsCache(folder=content / "under-a-file", limit_bytes=1, code="1")
    blocked.write("00key", facts())
    assert blocked.read("00key") is None


def test_the_place_can_be_chosen(monkeypatch, tmp_path: Path):
    monkeypatch.setenv("KEYMAPPER_CACHE", str(tmp_path))
    assert default_folder() == tmp_path
    assert open_cache(None, 0) is None
    opened = open_cache(None, 3)
    assert opened is not None
    assert (opened.folder, opened.limit_bytes) == (tmp_path, 3_000_000)
