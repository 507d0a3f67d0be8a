"""Write a folder whole or not at all."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from keymapper.errors import KeymapperError, OutputError

_PARTIAL = ".partial"
_PREVIOUS = ".previous"
_LITTER = frozenset({".DS_Store", "Thumbs.db", "desktop.ini"})
"""What file managers leave in every folder they show."""

EarlierFiles = Callable[[Path], Collection[str]]
"""Returns the files of an earlier result in a folder, relative to it with `/`; none at all where
the folder is no such result."""


@contextmanager
def published_folder(target: Path, *, replace: bool, earlier: EarlierFiles) -> Iterator[Path]:
    """Yield an empty folder beside `target` that takes its place when the block ends well.

    When the block raises, or the process is killed, `target` is as it was before. Renaming is
    the only step that touches it. Only an earlier result is ever replaced: a folder with any file
    that is no part of one stays. Errors raised in the block name `target` for the folder yielded.

    Processes that write into the folder must have ended when the block does.

    Raises
    ------
    OutputError
        `target` exists and `replace` is off or it is no earlier result, or the place cannot be
        written.
    """
    restore_interrupted(target)
    if target.exists() and not replace:
        raise OutputError(f"{target}: exists already; add --force to replace it.")
    if target.exists() and not target.is_dir():
        raise OutputError(f"{target}: is a file, not a folder; choose another --out.")
    if target.exists():
        _refuse_foreign(target, earlier(target))
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
    except KeymapperError as error:
        if partial.name not in str(error):
            raise
        raise type(error)(str(error).replace(partial.name, target.name)) from error
    finally:
        shutil.rmtree(partial, ignore_errors=True)


def refuse_overlap(target: Path, sources: Iterable[Path]) -> None:
    """Refuse a result that would hold one of its sources, or lie inside one that is a folder.

    Raises
    ------
    OutputError
        It would; the message names the source.
    """
    result = target.resolve()
    for source in sources:
        place = source.resolve()
        if result.is_relative_to(place) or place.is_relative_to(result):
            raise OutputError(
                f"{target}: may not lie inside {source}, nor hold it; choose another folder."
            )


def _refuse_foreign(target: Path, own: Collection[str]) -> None:
    for file in _files(target):
        if file not in own:
            raise OutputError(
                f"{target}: holds {file}, which is no part of an earlier result; move it away or "
                "choose another folder."
            )


def _files(folder: Path) -> Iterator[str]:
    """Yield what lies in a folder and its sub-folders, but for the litter of file managers."""
    for place, folders, names in os.walk(folder):
        here = Path(place)
        folders.sort()
        links = [name for name in folders if (here / name).is_symlink()]
        for name in sorted([*names, *links]):
            if name not in _LITTER:
                yield (here / name).relative_to(folder).as_posix()


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
