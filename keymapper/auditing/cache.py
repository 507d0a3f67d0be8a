"""What was measured, kept by the content of the files, so that an audit can go on or be repeated.

An entry is found by the SHA-256 of the file's bytes, of what was asked about it, and of the code
that measures; it is renamed into place whole and carries a checksum of its own. One that does not
fit its checksum, or cannot be decoded, is thrown away and measured again. The folder is kept
under a size; what has not been used for longest goes first.
"""

from __future__ import annotations

import hashlib
import os
import sys
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import msgspec

import keymapper
from keymapper.model.sample_facts import SampleFacts

PLACE_ENVIRONMENT = "KEYMAPPER_CACHE"
PRUNED_SHARE = 0.8
_ENTRY_SUFFIX = ".facts"
_PACKAGE = Path(keymapper.__file__).parent
_MEASURING_CODE = (
    "auditing/facts.py",
    "auditing/sound",
    "channels.py",
    "errors.py",
    "formats",
    "measuring",
    "model",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FactsCache:
    """A folder of entries."""

    folder: Path
    limit_bytes: int
    code: str
    """Fingerprint of the measuring code: what another version measured is not found."""

    def key(self, content: Path, asked: str) -> str:
        """Return the name under which the facts of a file are kept.

        Raises
        ------
        OSError
            The file cannot be read.
        """
        with content.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
        return hashlib.sha256(f"{self.code}\n{digest}\n{asked}".encode()).hexdigest()

    def read(self, key: str) -> SampleFacts | None:
        """Return kept facts; None where there are none, or none that can be trusted."""
        path = self._path(key)
        try:
            content = path.read_bytes()
        except OSError:
            return None
        checksum, _, payload = content.partition(b"\n")
        try:
            if checksum.decode("ascii") != hashlib.sha256(payload).hexdigest():
                raise ValueError("the checksum does not fit")
            facts = msgspec.json.decode(payload, type=SampleFacts)
        except (ValueError, msgspec.MsgspecError):
            with suppress(OSError):
                path.unlink(missing_ok=True)
            return None
        with suppress(OSError):
            os.utime(path)
        return facts

    def write(self, key: str, facts: SampleFacts) -> None:
        """Keep facts; a folder that cannot be written keeps nothing, without a word."""
        payload = msgspec.json.encode(facts)
        checksum = hashlib.sha256(payload).hexdigest().encode("ascii")
        path = self._path(key)
        partial = path.with_name(f".{key}.{os.getpid()}")
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            partial.write_bytes(checksum + b"\n" + payload)
            partial.replace(path)
        except OSError:
            with suppress(OSError):
                partial.unlink(missing_ok=True)

    def prune(self) -> None:
        """Throw away what has not been used for longest, once the folder is too large."""
        entries: list[tuple[int, int, str]] = []
        for path in self.folder.glob(f"??/*{_ENTRY_SUFFIX}"):
            try:
                status = path.stat()
            except OSError:
                continue
            entries.append((status.st_mtime_ns, status.st_size, str(path)))
        size = sum(one[1] for one in entries)
        if size <= self.limit_bytes:
            return
        for _, entry_size, name in sorted(entries):
            if size <= PRUNED_SHARE * self.limit_bytes:
                break
            Path(name).unlink(missing_ok=True)
            size -= entry_size

    def _path(self, key: str) -> Path:
        return self.folder / key[:2] / f"{key}{_ENTRY_SUFFIX}"


def open_cache(folder: Path | None, limit_mb: int) -> FactsCache | None:
    """Return the cache in a folder, by default `default_folder()`; None for a limit of 0 MB."""
    if limit_mb <= 0:
        return None
    return FactsCache(
        folder=folder or default_folder(),
        limit_bytes=limit_mb * 1_000_000,
        code=_code_fingerprint(),
    )


def default_folder() -> Path:
    """Return where measurements are kept: $KEYMAPPER_CACHE, else the user's cache folder."""
    given = os.environ.get(PLACE_ENVIRONMENT)
    if given:
        return Path(given)
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA") or str(Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = str(Path.home() / "Library" / "Caches")
    else:
        base = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    return Path(base) / "keymapper" / "measurements"


@cache
def _code_fingerprint() -> str:
    """Digest of all code and data that a measurement depends on."""
    digest = hashlib.sha256(keymapper.__version__.encode())
    for path in measuring_files():
        digest.update(path.relative_to(_PACKAGE).as_posix().encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()


def measuring_files() -> list[Path]:
    """Return the files of all code and data that a measurement depends on."""
    places = [_PACKAGE / name for name in _MEASURING_CODE]
    found = [file for place in places for file in (place, *sorted(place.rglob("*")))]
    return [file for file in found if file.is_file() and file.suffix != ".pyc"]
