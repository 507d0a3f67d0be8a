"""Write a folder whole or not at all."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from keymapper.errors import OutputError

_PARTIAL = ".partial"
_PREVIOUS = ".previous"


@contextmanager
def published_folder(target: Path, *, replace: bool) -> Iterator[Path]:
    """Yield an empty folder beside `target` that takes its place when the block ends well.

    When the block raises, or the process is killed, `target` is as it was before. Renaming is
    the only step that touches it.

    Raises
    ------
    OutputError
        `target` exists and `replace` is off, or the place cannot be written.
    """
    restore_interrupted(target)
    if target.exists() and not replace:
        raise OutputError(f"{target}: exists already; add --force to replace it.")
    if target.exists() and not target.is_dir():
        raise OutputError(f"{target}: is a file, not a folder; choose another --out.")
    partial = target.parent / f".{target.name}.{os.getpid():08d}{_PARTIAL}"
    try:
        partial.mkdir(parents=True)
        yield partial
        _swap(partial, target)
    except OSError as error:
        reason = error.strerror or error
        raise OutputError(
            f"{target}: cannot be written ({reason}); choose another --out."
        ) from error
    finally:
        shutil.rmtree(partial, ignore_errors=True)


def restore_interrupted(target: Path) -> None:
    """Put back a result that a killed run had moved aside, and clear away its leftovers."""
    previous = _previous(target)
    if previous.exists() and not target.exists():
        previous.rename(target)
    if target.parent.is_dir():
        for stale in sorted(target.parent.glob(f".{_glob_safe(target.name)}.????????{_PARTIAL}")):
            shutil.rmtree(stale, ignore_errors=True)
    shutil.rmtree(previous, ignore_errors=True)


def _swap(partial: Path, target: Path) -> None:
    previous = _previous(target)
    if target.exists():
        target.rename(previous)
    try:
        partial.rename(target)
    except OSError:
        if previous.exists():
            previous.rename(target)
        raise
    shutil.rmtree(previous, ignore_errors=True)


def _previous(target: Path) -> Path:
    return target.parent / f".{target.name}{_PREVIOUS}"


def _glob_safe(name: str) -> str:
    return "".join(f"[{letter}]" if letter in "*?[" else letter for letter in name)


def write_text(path: Path, text: str) -> None:
    """Write UTF-8 with LF line ends, whole or not at all.

    Raises
    ------
    OutputError
        The place cannot be written.
    """
    write_bytes(path, text.encode("utf-8"))


def write_bytes(path: Path, content: bytes) -> None:
    """Write a file whole or not at all.

    Raises
    ------
    OutputError
        The place cannot be written.
    """
    partial = path.parent / f".{path.name}{_PARTIAL}"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        partial.write_bytes(content)
        partial.replace(path)
    except OSError as error:
        raise OutputError(f"{path}: cannot be written ({error.strerror or error}).") from error
    finally:
        partial.unlink(missing_ok=True)
