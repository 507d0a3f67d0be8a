"""Open a pack from anywhere, archive or folder, as if it were meant to do harm.

Nothing is written outside the folder given, no link is followed, no compressed data is inflated,
and no more is unpacked than the archive has bytes.
"""

from __future__ import annotations

import errno
import hashlib
import os
import struct
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import IO

from keymapper.errors import InputError, OutputError
from keymapper.formats.file_parts import BLOCK_BYTES
from keymapper.formats.folded_names import folded
from keymapper.mapping.safe_names import safe_name
from keymapper.model.pack import PackedFile, PackFinding
from keymapper.packing.archive import SUMS_NAME, ArchiveEntry, write_entry
from keymapper.packing.checksums import sum_findings
from keymapper.packing.comparing import ComparingFile, Differs
from keymapper.packing.findings import pack_finding
from keymapper.packing.names import LONGEST_FOREIGN_PATH

MOST_FILES = 100_000
LARGEST_DIRECTORY = 16 << 20
LARGEST_SUMS = 32 << 20
_END, _END64 = struct.Struct("<4s4H2LH"), struct.Struct("<4sQ2H2L4Q")
_LOCATOR_BYTES = 20
_UNREADABLE = (
    zipfile.BadZipFile,
    NotImplementedError,
    RuntimeError,
    EOFError,
    ValueError,
    IndexError,
    struct.error,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenedPack:
    """A pack as it was found: its top folder and files, and what was wrong with its form."""

    folder: Path | None
    """None where it may not be unpacked."""
    files: tuple[PackedFile, ...]
    """All that are there but SHA256SUMS."""
    findings: tuple[PackFinding, ...]


def open_pack(path: Path, unpack_to: Path) -> OpenedPack:
    """Return the pack in an archive (unpacked into an empty folder) or in a folder (left alone).

    Raises
    ------
    InputError
        There is no such file or folder, or it cannot be read at all.
    """
    if path.is_dir():
        return _opened_folder(path)
    if not path.is_file():
        raise InputError(f"{path}: there is no such archive or folder.")
    return _opened_archive(path, unpack_to)


def _opened_archive(path: Path, unpack_to: Path) -> OpenedPack:
    where = path.name
    reason = _unreadable_end(path)
    if reason:
        return _refused(pack_finding("archive-form", where, reason))
    try:
        with zipfile.ZipFile(path) as archive:
            entries = archive.infolist()
            findings = _unsafe_entries(entries, path)
            if findings:
                return _refused(*findings)
            return _unpacked(archive, path, unpack_to)
    except Differs as difference:
        return _refused(pack_finding("archive-form", where, str(difference)))
    except _UNREADABLE as error:
        reason = str(error).splitlines()[0] if str(error) else type(error).__name__
        return _refused(pack_finding("archive-damaged", where, f"cannot be read ({reason})"))
    except OSError as error:
        if error.errno == errno.EINVAL:  # an offset before the beginning
            return _refused(pack_finding("archive-damaged", where, "points outside itself"))
        words = error.strerror or error
        raise InputError(f"{path}: cannot be read or unpacked ({words}).") from error


def _refused(*findings: PackFinding) -> OpenedPack:
    return OpenedPack(folder=None, files=(), findings=findings)


def _unreadable_end(path: Path) -> str:
    """Return why the end of a file is not that of our archives; "" where it is.

    The size of the directory is looked at before anything reads it into memory.
    """
    size = path.stat().st_size
    tail_size = _END.size + _LOCATOR_BYTES + _END64.size
    with path.open("rb") as file:
        file.seek(max(0, size - tail_size))
        tail = file.read(tail_size)
    if len(tail) < _END.size or tail[-_END.size :][:4] != b"PK\5\6":
        return "does not end as a ZIP without comment does"
    _, _, _, _, count, directory, _, _ = _END.unpack(tail[-_END.size :])
    if tail[-_END.size - _LOCATOR_BYTES :][:4] == b"PK\6\7" and tail[:4] == b"PK\6\6":
        fields = _END64.unpack(tail[: _END64.size])
        count, directory = fields[7], fields[8]
    if directory > LARGEST_DIRECTORY or count > MOST_FILES:
        return f"lists more than {MOST_FILES} files"
    return ""


def _unsafe_entries(entries: list[zipfile.ZipInfo], path: Path) -> list[PackFinding]:
    """Return what forbids unpacking: names that lead away, links, compression, clashes."""
    findings = []
    seen: set[str] = set()
    folders = {
        parent.as_posix()
        for one in entries
        for parent in PurePosixPath(folded(one.filename)).parents
    }
    for entry in entries:
        where, reason = _shown(entry.filename), unsafe_path(entry.filename)
        name = folded(entry.filename)
        if reason:
            findings.append(pack_finding("archive-unsafe", where, reason))
        elif entry.external_attr >> 28 not in (0, 8):
            findings.append(pack_finding("archive-unsafe", where, "is no plain file"))
        elif entry.compress_type or entry.compress_size != entry.file_size or entry.flag_bits & 1:
            message = "is compressed or encrypted, which no pack of ours is"
            findings.append(pack_finding("archive-form", where, message))
        elif name in seen or name in folders:
            findings.append(pack_finding("archive-unsafe", where, "is there twice"))
        seen.add(name)
    if not entries:
        findings.append(pack_finding("archive-form", path.name, "is empty"))
    if sum(entry.file_size for entry in entries) > path.stat().st_size:
        message = "holds files that lie over each other"
        findings.append(pack_finding("archive-unsafe", path.name, message))
    if len({entry.filename.split("/")[0] for entry in entries}) > 1:
        findings.append(pack_finding("archive-form", path.name, "has more than one top folder"))
    return findings[:100]


def unsafe_path(name: str) -> str:
    """Return why a path in an archive may not be unpacked; "" where it may."""
    parts = name.split("/")
    if len(name) > LONGEST_FOREIGN_PATH:
        return "has a path that is too long"
    if len(parts) < 2:
        return "does not lie in the top folder"
    if any(part in ("", ".", "..") for part in parts):
        return "leads out of the folder it is unpacked into"
    if any(safe_name(part, longest=LONGEST_FOREIGN_PATH) != part for part in parts):
        return "has a name that leads elsewhere on some systems"
    return ""


def _shown(name: str) -> str:
    return name[:LONGEST_FOREIGN_PATH]


def _unpacked(archive: zipfile.ZipFile, path: Path, unpack_to: Path) -> OpenedPack:
    """Unpack, hash, and write everything again against the archive, all in one pass."""
    files: list[PackedFile] = []
    sums = b""
    with path.open("rb") as actual:
        sink = ComparingFile(actual)
        with zipfile.ZipFile(sink, "w", zipfile.ZIP_STORED, allowZip64=True) as again:
            for entry in archive.infolist():
                target = unpack_to / entry.filename
                digest = hashlib.sha256()
                with archive.open(entry) as source, _new_file(target) as copy:
                    blocks = _copied(source, copy, digest)
                    size = entry.file_size
                    write_entry(again, ArchiveEntry(name=entry.filename, size=size, blocks=blocks))
                file = entry.filename.split("/", 1)[1]
                if file == SUMS_NAME:
                    sums = target.read_bytes()[:LARGEST_SUMS]
                else:
                    files.append(PackedFile(file=file, size=size, sha256=digest.hexdigest()))
        sink.check_end(path.stat().st_size)
    top = archive.infolist()[0].filename.split("/")[0]
    return OpenedPack(
        folder=unpack_to / top, files=tuple(files), findings=tuple(sum_findings(files, sums))
    )


def _new_file(target: Path) -> IO[bytes]:
    """Open a file that must not be there yet."""
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        return target.open("xb")
    except OSError as error:
        raise OutputError(f"{target}: cannot be written ({error.strerror or error}).") from error


def _copied(source: IO[bytes], copy: IO[bytes], digest: hashlib._Hash) -> Iterator[bytes]:
    while block := source.read(BLOCK_BYTES):
        digest.update(block)
        copy.write(block)
        yield block


def _opened_folder(path: Path) -> OpenedPack:
    """Return the files of an unpacked pack; links and special files are findings."""
    files: list[PackedFile] = []
    findings: list[PackFinding] = []
    root = path.resolve()
    for file, entry in _walked(root):
        if not entry.is_file(follow_symlinks=False):
            findings.append(pack_finding("archive-unsafe", file, "is no plain file"))
        elif file != SUMS_NAME:
            with Path(entry.path).open("rb") as opened:
                digest = hashlib.file_digest(opened, "sha256").hexdigest()
            size = entry.stat(follow_symlinks=False).st_size
            files.append(PackedFile(file=file, size=size, sha256=digest))
    if findings:
        return _refused(*findings[:100])
    sums = root / SUMS_NAME
    text = sums.read_bytes()[:LARGEST_SUMS] if sums.is_file() else b""
    return OpenedPack(folder=root, files=tuple(files), findings=tuple(sum_findings(files, text)))


def _walked(root: Path) -> Iterator[tuple[str, os.DirEntry[str]]]:
    """Yield every file below a folder with its path in it, in name order."""
    count = 0
    waiting = [root]
    while waiting:
        folder = waiting.pop()
        try:
            entries = sorted(os.scandir(folder), key=lambda one: one.name)
        except OSError as error:
            raise InputError(f"{folder}: cannot be read ({error.strerror or error}).") from error
        for entry in entries:
            count += 1
            if count > MOST_FILES:
                raise InputError(f"{root}: holds more than {MOST_FILES} files; it is no pack.")
            if entry.is_dir(follow_symlinks=False):
                waiting.append(Path(entry.path))
            else:
                yield Path(entry.path).relative_to(root).as_posix(), entry
