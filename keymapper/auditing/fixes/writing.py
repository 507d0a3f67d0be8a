"""Write the corrected copy of packs, whole or not at all."""

from __future__ import annotations

import math
import shutil
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path, PurePosixPath

from keymapper.auditing.audit import AuditedPack
from keymapper.auditing.fixes.loops import LoopOrder, mended_loop
from keymapper.auditing.fixes.naming import new_names
from keymapper.auditing.fixes.new_sfz import sfz_of_recordings
from keymapper.auditing.fixes.plan import WantedLoop, ZoneFix, zone_fixes, zones_to_loop
from keymapper.auditing.fixes.sfz_copy import rewritten_sfz
from keymapper.auditing.fixes.smpl import mend_chunks
from keymapper.auditing.judging import limit_in_force
from keymapper.auditing.subject import Pack, PackInstrument
from keymapper.exporting.publish import published_folder, refuse_overlap, write_text
from keymapper.mapping.safe_names import safe_name
from keymapper.model.finding import Mended
from keymapper.model.loop import Loop
from keymapper.workers import Workers


def write_fixes(
    audited: Sequence[AuditedPack], target: Path, *, force: bool, workers: int | None
) -> tuple[Mended, ...]:
    """Write a copy of the packs with all mended that can be; return what was changed.

    Audio is copied as it is. Several packs get a folder each, as they lie in the original.

    Raises
    ------
    OutputError
        `target` exists, lies inside a pack (or a pack in it), or cannot be written.
    """
    refuse_overlap(target, [one.read.source.root for one in audited])
    files = {file for one in audited for file in _files(one)}
    with (
        published_folder(target, replace=force, earlier=lambda _: files) as to,
        Workers(workers) as pool,
    ):
        mended = [change for one in audited for change in _written(one, to / one.pack.name, pool)]
    return tuple(mended)


def _files(audited: AuditedPack) -> Iterator[str]:
    """Yield the files that the copy of a pack will have, as they lie in the whole copy."""
    names = _copied_names(audited)
    written = [_sfz_path(audited, names, one).as_posix() for one in audited.pack.instruments]
    for file in (*names.values(), *written):
        yield (PurePosixPath(audited.pack.name) / file).as_posix()


def _copied_names(audited: AuditedPack) -> dict[str, str]:
    """Return the new path of every file that is copied; what an SFZ includes goes into it."""
    read = audited.read
    included = {
        path.resolve()
        for instrument in read.instruments
        if instrument.reading
        for path in instrument.reading.included
    }
    root = read.source.root
    return new_names(
        [file for file in audited.pack.files if (root / file).resolve() not in included]
    )


def _sfz_path(
    audited: AuditedPack, names: Mapping[str, str], instrument: PackInstrument
) -> PurePosixPath:
    """Return where the SFZ of an instrument goes in the copy of its pack."""
    if not instrument.mapped:
        return PurePosixPath(f"{safe_name(_title(audited.pack, audited.read.source.root))}.sfz")
    return PurePosixPath(names.get(instrument.name, instrument.name)).with_suffix(".sfz")


def _written(audited: AuditedPack, to: Path, pool: Workers) -> list[Mended]:
    pack, root = audited.pack, audited.read.source.root
    names = _copied_names(audited)
    for file, name in names.items():
        (to / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(root / file, to / name)
    loops = _loops(audited, pool)
    mended = [
        Mended(pack="", file=file, zone=None, what="name", before=file, after=name)
        for file, name in names.items()
        if file != name
    ]
    played: dict[str, tuple[ZoneFix, PackInstrument, int]] = {}
    for instrument in pack.instruments:
        fixes = zone_fixes(instrument, audited.judgement, loops)
        mended += _write_instrument(audited, instrument, fixes, (names, loops, to))
        for place, (zone, fix) in enumerate(zip(instrument.zones, fixes, strict=True)):
            if zone.file is not None and instrument.mapped:
                played.setdefault(zone.file, (fix, instrument, place))
    for file, (fix, instrument, place) in played.items():
        mended += mend_chunks(to / names[file], file, instrument.zones[place], fix)
    return [replace(change, pack=pack.name) for change in mended]


def _write_instrument(
    audited: AuditedPack,
    instrument: PackInstrument,
    fixes: Sequence[ZoneFix],
    place: tuple[Mapping[str, str], Mapping[str, Loop], Path],
) -> list[Mended]:
    names, loops, to = place
    path = _sfz_path(audited, names, instrument)
    if not instrument.mapped:
        written = _loops_of_recordings(instrument) | dict(loops)
        write_text(to / path, sfz_of_recordings(instrument, names, written, audited.changes))
        change = Mended(
            pack="", file=path.name, zone=None, what="instrument", before="none", after=path.name
        )
        return [change]
    read = next(one for one in audited.read.instruments if one.name == instrument.name)
    if read.reading is None:
        return []
    result = rewritten_sfz(instrument, read.reading, fixes, names)
    write_text(to / path, result.text)
    return list(result.mended)


def _title(pack: Pack, root: Path) -> str:
    return PurePosixPath(pack.name).name if pack.name != "." else root.name


def _loops_of_recordings(instrument: PackInstrument) -> dict[str, Loop]:
    """Loops that the files bring along and that hold up."""
    return {
        zone.file: zone.loop.loop
        for zone in instrument.zones
        if zone.file and zone.loop is not None and zone.loop.join is not None
    }


def _loops(audited: AuditedPack, pool: Workers) -> dict[str, Loop]:
    wanted = zones_to_loop(audited.pack, audited.judgement)
    looping = limit_in_force("loop-missing", audited.changes, 0.0) < math.inf
    for instrument in audited.pack.instruments:
        if looping and not instrument.mapped and instrument.tuned:
            for zone in instrument.zones:
                facts = None if zone.region.is_release else zone.facts
                if facts and zone.file and facts.measurement.course.sustains and not facts.loops:
                    pitch = facts.measurement.pitch
                    wanted[zone.file] = WantedLoop(
                        file=zone.file,
                        f0_hz=None if pitch.doubtful else pitch.f0_hz,
                        candidates=(),
                    )
    root = audited.read.source.root
    orders = [LoopOrder(path=root / file, wanted=one) for file, one in sorted(wanted.items())]
    found = zip(orders, pool.run(mended_loop, orders), strict=True)
    return {order.wanted.file: loop for order, loop in found if loop is not None}
