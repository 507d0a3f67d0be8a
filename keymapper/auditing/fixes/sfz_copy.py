"""An SFZ file written anew: includes and variables worked in, paths spelled out, zones mended."""

from __future__ import annotations

import os.path
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath

from keymapper.auditing.fixes.plan import ZoneFix
from keymapper.auditing.subject import PackInstrument, PackZone
from keymapper.errors import OutputError
from keymapper.formats.sfz import SfzDocument, SfzHeader, SfzReading, write_sfz
from keymapper.formats.sfz.region_builder import canonical_name
from keymapper.formats.sfz.text import HEADERS
from keymapper.model.finding import Mended

_LEVELS = ("global", "master", "group")
_ABOUT_SAMPLES = ("sample-missing", "outside-pack", "wrong-case", "value-out-of-range")
Opcodes = tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RewrittenSfz:
    """The text of a mended SFZ file, and what was changed."""

    text: str
    mended: tuple[Mended, ...]


def rewritten_sfz(
    instrument: PackInstrument,
    reading: SfzReading,
    fixes: Sequence[ZoneFix],
    names: Mapping[str, str],
) -> RewrittenSfz:
    """Return an instrument as portable SFZ with its zones mended.

    names : where each file of the pack lies in the copy.
    """
    home = PurePosixPath(names.get(instrument.name, instrument.name)).parent
    zones = iter(zip(instrument.zones, fixes, strict=True))
    mended = list(_written_anew(instrument, reading))
    headers: list[SfzHeader] = []
    for header, plays in _with_samples(reading.document):
        opcodes = _kept(header.opcodes, reading)
        if header.name == "control":
            opcodes = tuple(one for one in opcodes if one[0] != "default_path")
        if header.name == "region" and plays:
            zone, fix = next(zones)
            wanted = _wanted(zone, fix)
            path = _path(zone, names, home)
            mended += _changes(zone, wanted, path)
            opcodes = _replaced(opcodes, {"sample": path} | wanted)
        elif header.name == "region":
            continue
        if header.name in HEADERS:
            headers.append(SfzHeader(name=header.name, opcodes=_writable(opcodes)))
    return RewrittenSfz(text=write_sfz(SfzDocument(headers=tuple(headers))), mended=tuple(mended))


def _written_anew(instrument: PackInstrument, reading: SfzReading) -> Iterator[Mended]:
    """Yield what players stumble over in the text and is not taken over."""
    for problem in reading.problems:
        if problem.kind not in _ABOUT_SAMPLES:
            place = f"{problem.file} line {problem.line}" if problem.line else None
            yield Mended(
                pack="",
                file=instrument.name,
                zone=place,
                what=problem.kind,
                before=problem.subject,
                after="written the portable way, or left out",
            )


def _with_samples(document: SfzDocument) -> Iterator[tuple[SfzHeader, bool]]:
    """Yield headers, and whether a region names or inherits a sample, as the reader sees it."""
    inherited = dict.fromkeys(_LEVELS, "")
    for header in document.headers:
        own = dict(header.opcodes).get("sample")
        if header.name in _LEVELS:
            at = _LEVELS.index(header.name)
            inherited[header.name] = own or ""
            inherited |= dict.fromkeys(_LEVELS[at + 1 :], "")
        named = (
            own
            if own is not None
            else next((inherited[level] for level in reversed(_LEVELS) if inherited[level]), "")
        )
        yield header, header.name == "region" and bool(named)


def _kept(opcodes: Opcodes, reading: SfzReading) -> Opcodes:
    """Leave out values that the reader could not use, which nobody else can either."""
    problems = reading.problems
    bad = [one.message.split(": ")[0] for one in problems if one.kind == "bad-value"]
    alone = any(problem.kind == "filter-without-cutoff" for problem in reading.problems)
    return tuple(
        (name, value)
        for name, value in opcodes
        if f"{name}={value}" not in bad and not (alone and name == "fil_type")
    )


def _wanted(zone: PackZone, fix: ZoneFix) -> dict[str, str]:
    wanted: dict[str, str] = {}
    if fix.root_key is not None:
        wanted["pitch_keycenter"] = str(fix.root_key - zone.region.key_offset)
    if fix.tune_cents is not None:
        wanted["tune"] = str(fix.tune_cents)
    if fix.offset_frames is not None:
        wanted["offset"] = str(fix.offset_frames)
    if fix.no_loop:
        wanted["loop_mode"] = "one_shot" if zone.region.is_release else "no_loop"
    elif fix.loop is not None:
        mode = zone.region.loop_mode
        wanted["loop_mode"] = mode if mode == "loop_sustain" else "loop_continuous"
        wanted["loop_start"] = str(fix.loop.start_frame)
        wanted["loop_end"] = str(fix.loop.end_frame - 1)
    return wanted


def _path(zone: PackZone, names: Mapping[str, str], home: PurePosixPath) -> str:
    if zone.file is None:
        return zone.region.sample
    return os.path.relpath(names[zone.file], home.as_posix()).replace(os.sep, "/")


def _changes(zone: PackZone, wanted: Mapping[str, str], path: str) -> Iterator[Mended]:
    region = zone.region
    loop_end = None if region.loop_end_frame is None else region.loop_end_frame - 1
    before = {
        "pitch_keycenter": zone.root_key - region.key_offset,
        "tune": f"{region.own_tune_cents:g}",
        "offset": region.offset_frames,
        "loop_mode": region.loop_mode or "",
        "loop_start": "" if region.loop_start_frame is None else region.loop_start_frame,
        "loop_end": "" if loop_end is None else loop_end,
        "sample": region.sample,
    }
    for name, value in (dict(wanted) | {"sample": path}).items():
        if str(before[name]) != value:
            yield Mended(
                pack="",
                file=zone.instrument,
                zone=zone.label,
                what=name,
                before=str(before[name]),
                after=value,
            )


def _replaced(opcodes: Opcodes, wanted: Mapping[str, str]) -> Opcodes:
    kept = [one for one in opcodes if canonical_name(one[0]) not in wanted]
    return (*kept, *wanted.items())


def _writable(opcodes: Opcodes) -> Opcodes:
    """Leave out what the portable dialect cannot say, such as a variable that is unknown."""
    return tuple(one for one in opcodes if _can_be_written(one))


def _can_be_written(opcode: tuple[str, str]) -> bool:
    try:
        write_sfz(SfzDocument(headers=(SfzHeader(name="region", opcodes=(opcode,)),)))
    except OutputError:
        return False
    return True
