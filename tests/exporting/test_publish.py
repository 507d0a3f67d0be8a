import os
from contextlib import nullcontext

import pytest

from keymapper.errors import InputError, OutputError
from keymapper.exporting.publish import (
    published_folder,
    refuse_overlap,
    restore_interrupted,
    write_text,
)

OURS = frozenset({"a.txt", "b/c.txt"})


def published(target, *, replace, own=OURS):
    return published_folder(target, replace=replace, earlier=lambda _: own)


def publish_half(target):
    with published(target, replace=True) as partial:
        (partial / "a.txt").write_text("two")
        raise RuntimeError("half-way")


def contents(folder):
    return {p.name: p.read_text() for p in folder.iterdir()}


def test_folder_appears_whole(tmp_path):
    target = tmp_path / "made" / "result"
    with published(target, replace=False) as partial:
        (partial / "a.txt").write_text("one")
        assert not target.exists()
    assert contents(target) == {"a.txt": "one"}
    assert [p.name for p in target.parent.iterdir()] == ["result"]


def test_failure_leaves_the_last_good_result(tmp_path):
    target = tmp_path / "result"
    with published(target, replace=False) as partial:
        (partial / "a.txt").write_text("one")
    with pytest.raises(RuntimeError, match="half-way"):
        publish_half(target)
    assert contents(target) == {"a.txt": "one"}
    assert [p.name for p in tmp_path.iterdir()] == ["result"]


def test_existing_result_is_replaced_only_when_asked(tmp_path):
    target = tmp_path / "result"
    (target / "b").mkdir(parents=True)
    (target / "b" / "c.txt").write_text("old")
    (target / ".DS_Store").write_text("litter")
    with (
        pytest.raises(OutputError, match="exists already; add --force"),
        published(target, replace=False),
    ):
        pass
    with published(target, replace=True) as partial:
        (partial / "new.txt").write_text("new")
    assert contents(target) == {"new.txt": "new"}


@pytest.mark.parametrize("file", ["notes.txt", "b/mine.wav", "b/more/c.txt", ".git/config"])
def test_a_folder_with_a_file_that_is_not_ours_stays(tmp_path, file):
    mine = tmp_path / "result" / file
    mine.parent.mkdir(parents=True)
    mine.write_text("mine")
    (tmp_path / "result" / "a.txt").write_text("ours")
    with (
        pytest.raises(OutputError, match=f"holds {file}, which is no part of an earlier result"),
        published(tmp_path / "result", replace=True),
    ):
        pass
    assert mine.read_text() == "mine"
    assert [p.name for p in tmp_path.iterdir()] == ["result"]


def test_a_link_to_a_folder_is_a_file_of_somebody(tmp_path):
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "result").mkdir()
    (tmp_path / "result" / "link").symlink_to(tmp_path / "elsewhere")
    with (
        pytest.raises(OutputError, match="holds link,"),
        published(tmp_path / "result", replace=True),
    ):
        pass


def test_an_empty_folder_may_be_replaced(tmp_path):
    (tmp_path / "result").mkdir()
    with published(tmp_path / "result", replace=True, own=()) as partial:
        (partial / "a.txt").write_text("one")
    assert contents(tmp_path / "result") == {"a.txt": "one"}


@pytest.mark.parametrize("kind", [InputError, OutputError])
def test_errors_name_the_place_asked_for(tmp_path, kind):
    with (
        pytest.raises(kind) as caught,
        published(tmp_path / "result", replace=False) as partial,
    ):
        raise kind(f"{partial / 'a.txt'}: cannot be written (no space).")
    assert str(caught.value) == f"{tmp_path / 'result' / 'a.txt'}: cannot be written (no space)."


@pytest.mark.parametrize(
    ("target", "source", "refused"),
    [
        ("in", "in", True),
        ("in/out", "in", True),
        (".", "in", True),
        ("in", "in/a.wav", True),
        ("in/out", "in/a.wav", False),
        ("out", "in", False),
        ("in-2", "in", False),
        ("link", "in/a.wav", True),
    ],
)
def test_a_result_holds_no_source(tmp_path, target, source, refused):
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "a.wav").write_text("source")
    (tmp_path / "link").symlink_to("in")
    with pytest.raises(OutputError, match="choose another folder") if refused else nullcontext():
        refuse_overlap(tmp_path / target, [tmp_path / source])


def test_result_moved_aside_by_a_killed_run_comes_back(tmp_path):
    target = tmp_path / "result"
    (tmp_path / ".result.previous").mkdir()
    (tmp_path / ".result.previous" / "a.txt").write_text("one")
    (tmp_path / ".result.abcdefgh.partial").mkdir()
    restore_interrupted(target)
    assert contents(target) == {"a.txt": "one"}
    assert [p.name for p in tmp_path.iterdir()] == ["result"]


def test_a_file_in_the_way_is_refused(tmp_path):
    (tmp_path / "result").write_text("mine")
    with (
        pytest.raises(OutputError, match="is a file"),
        published(tmp_path / "result", replace=True),
    ):
        pass
    assert (tmp_path / "result").read_text() == "mine"


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_read_only_place_is_one_line(tmp_path):
    tmp_path.chmod(0o500)
    with (
        pytest.raises(OutputError, match="cannot be written"),
        published(tmp_path / "result", replace=False),
    ):
        pass


def test_text_replaces_a_file_whole(tmp_path):
    write_text(tmp_path / "a.txt", "one\n")
    write_text(tmp_path / "a.txt", "two\n")
    assert contents(tmp_path) == {"a.txt": "two\n"}
