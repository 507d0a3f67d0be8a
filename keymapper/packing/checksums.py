"""Hold the files of a pack against the checksums that it was sealed with."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from keymapper.model.pack import PackedFile, PackFinding
from keymapper.packing.archive import SUMS_NAME, sums_text
from keymapper.packing.findings import pack_finding
from keymapper.packing.names import LONGEST_FOREIGN_PATH


def sum_findings(files: Iterable[PackedFile], sums: bytes) -> Iterator[PackFinding]:
    """Yield where the checksums do not fit the files, byte for byte."""
    actual = {one.file: one for one in files}
    if not sums:
        yield pack_finding("sum-missing", SUMS_NAME, "there is no list of checksums")
        return
    if sums == sums_text(actual.values()).encode("utf-8", "surrogateescape"):
        return
    unlike = list(_unlike(actual, _listed(sums)))
    yield from unlike or [pack_finding("sum-differs", SUMS_NAME, "is not as it was written")]


def _listed(sums: bytes) -> dict[str, str]:
    """Return the checksum that a list gives each file."""
    lines = [line.partition("  ") for line in sums.decode("utf-8", "replace").splitlines()]
    return {file: digest for digest, _, file in lines}


def _unlike(actual: Mapping[str, PackedFile], listed: Mapping[str, str]) -> Iterator[PackFinding]:
    for file, one in sorted(actual.items()):
        if file not in listed:
            yield pack_finding("file-unknown", file, "is not among the checksums")
        elif listed[file] != one.sha256:
            yield pack_finding("sum-differs", file, "is not the file that was packed")
    for file in sorted(listed.keys() - actual.keys())[:100]:
        yield pack_finding("file-missing", file[:LONGEST_FOREIGN_PATH], "is not there")
