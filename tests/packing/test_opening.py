"""Archives from anywhere: whole ones open, and nothing else does any harm."""

import io
import random
import struct
import zipfile

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keymapper.errors import InputError
from keymapper.packing.archive import PackContent, PackWriter
from keymapper.packing.opening import open_pack

FILES = {"a.txt": b"some words\n", "sub/b.bin": bytes(range(256)) * 3, "pack.json": b"{}"}


def whole_archive(files=FILES, top="Pier-1.0"):
    buffer = io.BytesIO()
    with PackWriter(buffer, top) as writer:
        for name, content in files.items():
            writer.add(PackContent(file=name, parts=(content,)))
        writer.finish()
    return buffer.getvalue()


WHOLE = whole_archive()


def opened(tmp_path, content, name="pack.zip"):
    path = tmp_path / name
    path.write_bytes(content)
    return open_pack(path, tmp_path / "unpacked" / str(random.random()))


def rules(found):
    return {one.rule for one in found.findings}


def test_a_whole_archive_opens(tmp_path):
    found = opened(tmp_path, WHOLE)
    assert found.findings == ()
    assert [one.file for one in found.files] == list(FILES)
    for name, content in FILES.items():
        assert (found.folder / name).read_bytes() == content


def test_the_same_files_give_the_same_bytes():
    assert whole_archive() == WHOLE


def test_any_unzip_reads_it():
    with zipfile.ZipFile(io.BytesIO(WHOLE)) as archive:
        assert archive.testzip() is None
        info = archive.getinfo("Pier-1.0/a.txt")
        assert info.date_time == (1980, 1, 1, 0, 0, 0)
        assert info.external_attr >> 16 == 0o100644


@settings(max_examples=400, deadline=None)
@given(st.integers(0, len(WHOLE) - 1), st.integers(1, 255))
def test_tampering_with_any_byte_is_found(tmp_path_factory, place, change):
    content = bytearray(WHOLE)
    content[place] ^= change
    assert opened(tmp_path_factory.mktemp("t"), bytes(content)).findings


def test_every_single_byte_counts(tmp_path):
    """All places of the archive, one after the other, with one change each."""
    for place in range(len(WHOLE)):
        content = bytearray(WHOLE)
        content[place] ^= 1 + place % 255
        assert opened(tmp_path, bytes(content)).findings, place


@settings(max_examples=100, deadline=None)
@given(st.integers(0, len(WHOLE)), st.binary(min_size=1, max_size=40))
def test_bytes_put_in_anywhere_are_found(tmp_path_factory, place, more):
    content = WHOLE[:place] + more + WHOLE[place:]
    assert opened(tmp_path_factory.mktemp("t"), content).findings


@settings(max_examples=100, deadline=None)
@given(st.integers(0, len(WHOLE) - 1), st.integers(1, 300))
def test_bytes_taken_out_anywhere_are_found(tmp_path_factory, place, count):
    content = WHOLE[:place] + WHOLE[place + count :]
    assert opened(tmp_path_factory.mktemp("t"), content).findings


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=400))
def test_anything_at_all_is_refused_quietly(tmp_path_factory, content):
    found = opened(tmp_path_factory.mktemp("t"), content + b"PK\5\6" + bytes(18))
    assert found.findings
    assert found.folder is None


def foreign(entries, **how):
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", **how) as archive:
        for info, content in entries:
            archive.writestr(info, content)
    return buffer.getvalue()


@pytest.mark.parametrize(
    "name",
    ["../out.txt", "/etc/out.txt", "Pier/../../out.txt", "C:/out.txt", "Pier\\..\\out.txt",
     "Pier//out.txt", "Pier/./out.txt", "out.txt", "Pier/aux:stream", "Pier/a\nb", "Pier/ü.txt",
     "Pier/" + "x" * 300, "Pier/NUL", "con/a", "Pier/a.", "Pier/ a"],
)  # fmt: skip
def test_names_that_lead_away_are_never_unpacked(tmp_path, name):
    found = opened(tmp_path, foreign([(zipfile.ZipInfo(name), b"harm")]))
    assert rules(found) & {"archive-unsafe", "archive-form"}
    assert not [path for path in tmp_path.rglob("*") if path.name.startswith("out")]
    assert not (tmp_path / "unpacked").exists()


def test_links_are_refused(tmp_path):
    info = zipfile.ZipInfo("Pier/link")
    info.external_attr = 0o120777 << 16
    found = opened(tmp_path, foreign([(info, b"/etc/passwd")]))
    assert rules(found) == {"archive-unsafe"}


def test_compressed_data_is_never_inflated(tmp_path):
    deflated = io.BytesIO()
    with zipfile.ZipFile(deflated, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("Pier/bomb", bytes(50_000_000))
    assert len(deflated.getvalue()) < 100_000
    found = opened(tmp_path, deflated.getvalue())
    assert rules(found) == {"archive-form", "archive-unsafe"}
    assert not (tmp_path / "unpacked").exists()


def test_two_names_that_differ_by_case_are_refused(tmp_path):
    entries = [(zipfile.ZipInfo("Pier/a.txt"), b"1"), (zipfile.ZipInfo("Pier/A.txt"), b"2")]
    assert rules(opened(tmp_path, foreign(entries))) == {"archive-unsafe"}


def test_a_name_that_is_file_and_folder_is_refused(tmp_path):
    entries = [(zipfile.ZipInfo("Pier/a"), b"1"), (zipfile.ZipInfo("Pier/A/b"), b"2")]
    assert rules(opened(tmp_path, foreign(entries))) == {"archive-unsafe"}
    assert not (tmp_path / "unpacked").exists()


def test_files_that_lie_over_each_other_are_refused(tmp_path):
    """Many entries of the directory point at the same bytes."""
    with zipfile.ZipFile(io.BytesIO(WHOLE)) as archive:
        start = archive.start_dir
    entry = WHOLE[start : WHOLE.index(b"PK\1\2", start + 4)]
    copies = [bytearray(entry) for _ in range(9)]
    for number, copy in enumerate(copies):
        copy[-1:] = str(number).encode()
    directory = b"".join(copies)
    end = struct.pack("<4s4H2LH", b"PK\5\6", 0, 0, 9, 9, len(directory), start, 0)
    found = opened(tmp_path, WHOLE[:start] + directory + end)
    assert found.findings


def test_a_directory_beyond_all_measure_is_not_read(tmp_path):
    end = struct.pack("<4s4H2LH", b"PK\5\6", 0, 0, 9, 9, 0x7FFFFFFF, 0, 0)
    assert rules(opened(tmp_path, WHOLE[:-22] + end)) == {"archive-form"}


@pytest.mark.parametrize("content", [b"", b"PK", b"no archive at all", WHOLE[:100]])
def test_what_is_no_archive_is_said_so(tmp_path, content):
    assert rules(opened(tmp_path, content)) == {"archive-form"}


def test_no_file_is_an_input_error(tmp_path):
    with pytest.raises(InputError, match="no such archive"):
        open_pack(tmp_path / "gone.zip", tmp_path / "u")


@pytest.fixture
def folder(tmp_path):
    return opened(tmp_path, WHOLE).folder


def test_a_folder_is_opened_where_it_lies(folder, tmp_path):
    found = open_pack(folder, tmp_path / "u")
    assert found.findings == ()
    assert {one.file for one in found.files} == set(FILES)
    assert not (tmp_path / "u").exists()


def test_changes_in_a_folder_are_found(folder, tmp_path):
    (folder / "a.txt").write_bytes(b"Some words\n")
    (folder / "new.txt").write_bytes(b"")
    (folder / "sub" / "b.bin").unlink()
    found = open_pack(folder, tmp_path / "u")
    assert {(one.rule, one.where) for one in found.findings} == {
        ("sum-differs", "a.txt"), ("file-unknown", "new.txt"), ("file-missing", "sub/b.bin"),
    }  # fmt: skip


def test_a_list_of_checksums_in_another_order_is_found(folder, tmp_path):
    lines = (folder / "SHA256SUMS").read_text().splitlines(keepends=True)
    (folder / "SHA256SUMS").write_text("".join(reversed(lines)))
    found = open_pack(folder, tmp_path / "u")
    assert [(one.rule, one.where) for one in found.findings] == [("sum-differs", "SHA256SUMS")]


def test_a_link_in_a_folder_is_refused(folder, tmp_path):
    (folder / "link").symlink_to("/etc/passwd")
    found = open_pack(folder, tmp_path / "u")
    assert rules(found) == {"archive-unsafe"}
    assert found.folder is None


def test_a_folder_without_checksums_is_told(folder, tmp_path):
    (folder / "SHA256SUMS").unlink()
    assert rules(open_pack(folder, tmp_path / "u")) == {"sum-missing"}
