import os

import pytest

from keymapper.errors import OutputError
from keymapper.exporting.publish import published_folder, restore_interrupted, write_text


def publish_half(target):
    with published_folder(target, replace=True) as partial:
        (partial / "a.txt").write_text("two")
        raise RuntimeError("half-way")


def contents(folder):
    return {p.name: p.read_text() for p in folder.iterdir()}


def test_folder_appears_whole(tmp_path):
    target = tmp_path / "made" / "result"
    with published_folder(target, replace=False) as partial:
        (partial / "a.txt").write_text("one")
        assert not target.exists()
    assert contents(target) == {"a.txt": "one"}
    assert [p.name for p in target.parent.iterdir()] == ["result"]


def test_failure_leaves_the_last_good_result(tmp_path):
    target = tmp_path / "result"
    with published_folder(target, replace=False) as partial:
        (partial / "a.txt").write_text("one")
    with pytest.raises(RuntimeError, match="half-way"):
        publish_half(target)
    assert contents(target) == {"a.txt": "one"}
    assert [p.name for p in tmp_path.iterdir()] == ["result"]


def test_existing_result_is_replaced_only_when_asked(tmp_path):
    target = tmp_path / "result"
    target.mkdir()
    (target / "old.txt").write_text("old")
    with (
        pytest.raises(OutputError, match="exists already; add --force"),
        published_folder(target, replace=False),
    ):
        pass
    with published_folder(target, replace=True) as partial:
        (partial / "new.txt").write_text("new")
    assert contents(target) == {"new.txt": "new"}


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
        published_folder(tmp_path / "result", replace=True),
    ):
        pass
    assert (tmp_path / "result").read_text() == "mine"


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_read_only_place_is_one_line(tmp_path):
    tmp_path.chmod(0o500)
    with (
        pytest.raises(OutputError, match="cannot be written"),
        published_folder(tmp_path / "result", replace=False),
    ):
        pass


def test_text_replaces_a_file_whole(tmp_path):
    write_text(tmp_path / "a.txt", "one\n")
    write_text(tmp_path / "a.txt", "two\n")
    assert contents(tmp_path) == {"a.txt": "two\n"}
