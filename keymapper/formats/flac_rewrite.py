"""Put other comments into a FLAC file and leave its audio and all its other blocks alone."""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from pathlib import Path

from keymapper.errors import InputError
from keymapper.formats.file_parts import FileStretch, Part, parts_size
from keymapper.formats.flac_blocks import AUDIO_BLOCKS, COMMENTS, LAST, flac_blocks
from keymapper.formats.flac_texts import read_flac_metadata


def rewritten_flac(path: Path, comments: Mapping[str, str], vendor: str) -> tuple[Part, ...]:
    """Return a FLAC with some comments set, as parts, without reading its audio.

    Comments that are not set stay; so do pictures, seek tables and application blocks.

    comments : texts by name in upper case; empty ones are left out.

    Raises
    ------
    InputError
        The file is no FLAC, or ends within its header.
    """
    blocks, audio_offset = _blocks(path)
    kept = [pair for pair in read_flac_metadata(path).comments if pair[0] not in comments]
    added = [(name, text) for name, text in comments.items() if text]
    body = vorbis_comments(vendor, [*kept, *added])
    first, *others = [block for block in blocks if block[0] != COMMENTS]
    audio = _from(path, audio_offset)
    return _joined([first, (COMMENTS, body), *others], audio)


def with_blocks_of(path: Path, source: Path) -> tuple[Part, ...]:
    """Return the audio of one FLAC with the metadata of another, as parts.

    What describes the audio itself (stream information, seek table) is the first one's.

    Raises
    ------
    InputError
        One of them is no FLAC, or ends within its header.
    """
    own, audio_offset = _blocks(path)
    foreign = [block for block in _blocks(source)[0] if block[0] not in AUDIO_BLOCKS]
    kept = [block for block in own if block[0] in AUDIO_BLOCKS]
    return _joined([*kept, *foreign], _from(path, audio_offset))


def _from(path: Path, offset: int) -> FileStretch:
    return FileStretch(path=path, offset=offset, size=path.stat().st_size - offset)


def _joined(blocks: Sequence[tuple[int, Part]], audio: FileStretch) -> tuple[Part, ...]:
    """Return a file of some blocks, the last one marked, and audio."""
    parts: list[Part] = [b"fLaC"]
    for number, (kind, body) in enumerate(blocks, start=1):
        last = LAST if number == len(blocks) else 0
        parts += [bytes([kind | last]) + parts_size((body,)).to_bytes(3, "big"), body]
    return (*parts, audio)


def vorbis_comments(vendor: str, comments: Sequence[tuple[str, str]]) -> bytes:
    """Return the body of a comment block, in the order of the comments."""
    body = _text(vendor) + struct.pack("<I", len(comments))
    return body + b"".join(_text(f"{name}={text}") for name, text in comments)


def _text(text: str) -> bytes:
    raw = text.encode("utf-8", "replace")
    return struct.pack("<I", len(raw)) + raw


def _blocks(path: Path) -> tuple[list[tuple[int, Part]], int]:
    """Return kind and body of the metadata blocks, and where the audio begins."""
    blocks = list(flac_blocks(path))
    end = blocks[-1].offset + blocks[-1].size if blocks else 0
    if not blocks or not blocks[-1].is_last or end > path.stat().st_size:
        raise InputError(f"{path}: is no FLAC file, or ends within its header; convert it again.")
    return [
        (one.kind, FileStretch(path=path, offset=one.offset, size=one.size)) for one in blocks
    ], end
