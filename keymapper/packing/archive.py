"""The archive: a ZIP that is the same bytes for the same files, written and checked in one pass.

Nothing is compressed: audio hardly gets smaller, a stored file cannot be a bomb, and the bytes do
not depend on the version of a compression library. Every field of the format is fixed by the
names, sizes and contents of the files, so an archive is whole exactly when writing its contents
again gives its bytes.
"""

from __future__ import annotations

import hashlib
import zipfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import IO

from keymapper.formats.file_parts import Part, parts_size, read_parts
from keymapper.model.pack import PackedFile

SUMS_NAME = "SHA256SUMS"
FIXED_TIME = (1980, 1, 1, 0, 0, 0)
"""The first moment that a ZIP can tell."""
_PERMISSIONS = 0o100644
_UNIX = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class PackContent:
    """A file of the pack before it is written."""

    file: str
    """Relative to the pack's top folder, with `/`."""
    parts: tuple[Part, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ArchiveEntry:
    """A file as it goes into an archive."""

    name: str
    """With the top folder."""
    size: int
    blocks: Iterator[bytes]


class PackWriter:
    """Writes the files of a pack one after the other, and remembers their checksums.

    Use as a context; an archive that was not finished is not valid.
    """

    def __init__(self, file: IO[bytes], top: str) -> None:
        self._zip = zipfile.ZipFile(file, "w", zipfile.ZIP_STORED, allowZip64=True)
        self._top = top
        self.files: list[PackedFile] = []

    def __enter__(self) -> PackWriter:
        return self

    def __exit__(self, *_: object) -> None:
        self._zip.close()

    def add(self, content: PackContent) -> None:
        """Write one file."""
        digest = hashlib.sha256()
        size = parts_size(content.parts)
        entry = ArchiveEntry(
            name=f"{self._top}/{content.file}",
            size=size,
            blocks=_hashed(read_parts(content.parts), digest),
        )
        write_entry(self._zip, entry)
        self.files.append(PackedFile(file=content.file, size=size, sha256=digest.hexdigest()))

    def finish(self) -> None:
        """Write the checksums of all files."""
        text = sums_text(self.files).encode("utf-8")
        name = f"{self._top}/{SUMS_NAME}"
        write_entry(self._zip, ArchiveEntry(name=name, size=len(text), blocks=iter((text,))))


def write_entry(archive: zipfile.ZipFile, entry: ArchiveEntry) -> None:
    """Write one file of an archive, every field of its header fixed."""
    about = zipfile.ZipInfo(entry.name, FIXED_TIME)
    about.create_system = _UNIX
    about.external_attr = _PERMISSIONS << 16
    about.file_size = entry.size
    about.compress_type = zipfile.ZIP_STORED
    with archive.open(about, "w") as target:
        for block in entry.blocks:
            target.write(block)


def sums_text(files: Iterable[PackedFile]) -> str:
    """Return the lines of SHA256SUMS, as `sha256sum --check` reads them, in name order."""
    ordered = sorted(files, key=lambda one: one.file)
    return "".join(f"{one.sha256}  {one.file}\n" for one in ordered)


def _hashed(blocks: Iterable[bytes], digest: hashlib._Hash) -> Iterator[bytes]:
    for block in blocks:
        digest.update(block)
        yield block
