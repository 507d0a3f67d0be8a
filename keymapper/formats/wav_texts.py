"""WAV chunks that speak of the recording: `cue `, `LIST adtl`, `LIST INFO`, `bext`, `iXML`.

Everything is read within the size of its chunk; what is cut short or nonsense is left out.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from pathlib import Path

from keymapper.errors import InputError
from keymapper.formats.ixml import read_ixml
from keymapper.formats.wav_chunks import read_chunk, read_wav_layout, smpl_loop_remarks
from keymapper.model.sample_facts import LONGEST_TEXT, Marker, SampleTexts

_BEXT_BYTES = 348
"""Up to and with the version."""
_MOST_MARKERS = 10_000
_DATE = re.compile(r"(\d{4})\D(\d{2})\D(\d{2})")
_TIME = re.compile(r"(\d{2})\D(\d{2})\D(\d{2})")


def read_wav_texts(path: Path) -> SampleTexts:
    """Return what the text chunks of a WAV say; a file that is none says nothing."""
    try:
        layout = read_wav_layout(path)
    except InputError:
        return SampleTexts()
    tags: list[tuple[str, str]] = []
    cues: dict[int, int] = {}
    labels: dict[int, str] = {}
    problems: list[str] = []
    loop_remarks: list[str] = []
    recorded: str | None = None
    time_reference: int | None = None
    for place in layout.chunks:
        if place.id not in ("cue ", "LIST", "bext", "iXML", "smpl"):
            continue
        body = read_chunk(path, place)
        if place.id == "cue ":
            cues |= cue_frames(body)
        elif place.id == "LIST" and body[:4] == b"INFO":
            tags += info_tags(body)
        elif place.id == "LIST" and body[:4] == b"adtl":
            labels |= cue_labels(body)
        elif place.id == "bext" and len(body) >= _BEXT_BYTES:
            tags += _bext_tags(body)
            recorded = iso_time(_text(body[320:330]), _text(body[330:338]))
            time_reference = struct.unpack("<Q", body[338:346])[0] or None
        elif place.id == "iXML":
            facts = read_ixml(body)
            tags += [(f"iXML {name}", text) for name, text in facts.fields]
            problems += [facts.problem] if facts.problem else []
        elif place.id == "smpl":
            loop_remarks += smpl_loop_remarks(body)
    markers = [Marker(name=labels.get(cue, ""), frame=frame) for cue, frame in cues.items()]
    return SampleTexts(
        tags=tuple(tags),
        markers=tuple(sorted(markers, key=lambda marker: marker.frame)),
        recorded=recorded,
        time_reference_frames=time_reference,
        problems=tuple(problems),
        loop_remarks=tuple(loop_remarks),
    )


def cue_frames(body: bytes) -> dict[int, int]:
    """Return the frame of each cue point of a `cue ` chunk, by its id."""
    if len(body) < 4:
        return {}
    count = min(struct.unpack("<I", body[:4])[0], (len(body) - 4) // 24, _MOST_MARKERS)
    points = (struct.unpack("<I16xI", body[4 + 24 * i : 28 + 24 * i]) for i in range(count))
    return dict(points)


def cue_labels(body: bytes) -> dict[int, str]:
    """Return the label of each cue point of a `LIST adtl` chunk, by its id."""
    labels: dict[int, str] = {}
    for name, content in _sub_chunks(body[4:]):
        if name == b"labl" and len(content) >= 4 and len(labels) < _MOST_MARKERS:
            labels[struct.unpack("<I", content[:4])[0]] = _text(content[4:])
    return labels


def info_tags(body: bytes) -> list[tuple[str, str]]:
    """Return the tags of a `LIST INFO` chunk, as (four-letter id, text)."""
    tags = [(name.decode("latin-1"), _text(text)) for name, text in _sub_chunks(body[4:])]
    return [(name, text) for name, text in tags if text]


def _sub_chunks(body: bytes) -> Iterator[tuple[bytes, bytes]]:
    position = 0
    while position + 8 <= len(body):
        size = struct.unpack("<I", body[position + 4 : position + 8])[0]
        yield body[position : position + 4], body[position + 8 : position + 8 + size]
        position += 8 + size + (size & 1)


def _bext_tags(body: bytes) -> list[tuple[str, str]]:
    fields = (
        ("bext Description", body[:256]),
        ("bext Originator", body[256:288]),
        ("bext OriginatorReference", body[288:320]),
    )
    return [(name, _text(raw)) for name, raw in fields if _text(raw)]


def iso_time(date: str, time: str) -> str | None:
    """Return "2026-11-24T23:59:08" from a date and a time, None where they are none."""
    day, clock = _DATE.match(date), _TIME.match(time)
    if day is None or clock is None:
        return None
    year, month, of_month = (int(part) for part in day.groups())
    hour, minute, second = (int(part) for part in clock.groups())
    if not (1 <= month <= 12 and 1 <= of_month <= 31 and hour < 24 and minute < 60 and second < 60):
        return None
    return f"{year:04d}-{month:02d}-{of_month:02d}T{hour:02d}:{minute:02d}:{second:02d}"


def _text(raw: bytes) -> str:
    content = raw.split(b"\0", 1)[0]
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError:
        text = content.decode("latin-1")
    return text.strip()[:LONGEST_TEXT]
