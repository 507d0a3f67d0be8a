"""Read what the instruments of a pack say, before any sample is measured."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from keymapper.auditing.facts import LoopRequest, Stretch
from keymapper.auditing.packs import PackSource
from keymapper.errors import InputError
from keymapper.exporting.sfz_file import sfz_document
from keymapper.formats.manifest import MANIFEST_NAME, read_manifest
from keymapper.formats.sfz import (
    SfzProblem,
    SfzReading,
    SfzRegion,
    parse_sfz,
    read_sfz,
    write_sfz,
)
from keymapper.formats.sfz.paths import PackFolder
from keymapper.formats.two_sides import right_sides
from keymapper.model.instrument import Manifest


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadRegion:
    """A region and the file it plays, relative to the pack; None where that is missing."""

    region: SfzRegion
    file: str | None
    target_cents: float

    @property
    def stretch(self) -> Stretch:
        """Return what it plays of its file."""
        region = self.region
        return Stretch(first_frame=max(0, region.offset_frames), end_frame=region.end_frame)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadInstrument:
    """One SFZ file or manifest as it was read."""

    name: str
    regions: tuple[ReadRegion, ...]
    reading: SfzReading | None
    problems: tuple[SfzProblem, ...]
    reference_hz: float
    unreadable: str = ""
    """Why it could not be read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadPack:
    """A pack whose samples have yet to be measured."""

    source: PackSource
    instruments: tuple[ReadInstrument, ...]
    """Empty for a folder of recordings."""
    samples: tuple[str, ...]
    """Files to be measured, in name order."""
    requests: dict[str, tuple[LoopRequest, ...]]
    starts: dict[str, tuple[int, ...]]
    """Frames behind the first at which zones begin to play a file."""
    stretches: dict[str, tuple[Stretch, ...]]
    """The sounds of each file that holds several, one after the other."""
    reference_hz: float
    recorded_as: dict[str, str]
    """Name of the recording a sample was made from, where a manifest says it."""
    right_sides: frozenset[str]
    """Of a folder of recordings: files that are one note together with another."""


def read_pack(source: PackSource, reference_hz: float | None) -> ReadPack:
    """Return what the instruments of a pack say; one that cannot be read is told with its reason.

    reference_hz : frequency of A4; None takes the manifest's, else 440.
    """
    instruments: list[ReadInstrument] = []
    recorded_as: dict[str, str] = {}
    for name in source.instruments:
        try:
            manifest = _manifest_beside(source, name)
            instruments.append(_read_instrument(source, name, manifest, reference_hz))
        except InputError as error:
            if not _is_foreign(source, name):
                instruments.append(_unreadable(source, name, str(error)))
            continue
        if manifest is not None:
            here = PurePosixPath(name).parent
            for note in manifest.notes:
                recorded_as[(here / note.sample.file).as_posix()] = note.source.file
    instruments = _not_included(instruments)
    played = [one for instrument in instruments for one in instrument.regions if one.file]
    samples = set(source.audio) | {one.file for one in played if one.file}
    return ReadPack(
        source=source,
        instruments=tuple(instruments),
        samples=tuple(sorted(samples)),
        requests=_requests(played),
        starts=_starts(played),
        stretches=_stretches(played),
        reference_hz=reference_hz or (instruments[0].reference_hz if instruments else 440.0),
        recorded_as=recorded_as,
        right_sides=frozenset()
        if instruments
        else frozenset(right_sides(source.root, source.audio).values()),
    )


def _unreadable(source: PackSource, name: str, message: str) -> ReadInstrument:
    return ReadInstrument(
        name=name,
        regions=(),
        reading=None,
        problems=(),
        reference_hz=440.0,
        unreadable=message.removeprefix(f"{source.root / name}: "),
    )


def _is_foreign(source: PackSource, name: str) -> bool:
    """Tell whether a manifest.json is that of something else than an instrument."""
    if not name.lower().endswith(".json"):
        return False
    try:
        return b"keymapper-instrument" not in (source.root / name).read_bytes()[:10_000]
    except OSError:
        return True


def _not_included(instruments: list[ReadInstrument]) -> list[ReadInstrument]:
    """Leave out SFZ files that are parts of others."""
    included = {
        path.resolve() for one in instruments if one.reading for path in one.reading.included
    }
    return [
        one
        for one in instruments
        if one.reading is None
        or one.reading.path is None
        or one.reading.path.resolve() not in included
    ]


def _requests(played: list[ReadRegion]) -> dict[str, tuple[LoopRequest, ...]]:
    requests: dict[str, dict[LoopRequest, None]] = {}
    for one in played:
        region = one.region
        asked = LoopRequest(start_frame=region.loop_start_frame, end_frame=region.loop_end_frame)
        says_something = asked.start_frame is not None or asked.end_frame is not None
        if one.file and (says_something or region.loop_mode in ("loop_continuous", "loop_sustain")):
            requests.setdefault(one.file, {})[asked] = None
    return {file: tuple(sorted(asked, key=str)) for file, asked in requests.items()}


def _starts(played: list[ReadRegion]) -> dict[str, tuple[int, ...]]:
    starts: dict[str, set[int]] = {}
    for one in played:
        if one.file and one.region.offset_frames > 0:
            starts.setdefault(one.file, set()).add(one.region.offset_frames)
    return {file: tuple(sorted(frames)) for file, frames in starts.items()}


def _stretches(played: list[ReadRegion]) -> dict[str, tuple[Stretch, ...]]:
    """Return what is played of each file of which two zones play parts that do not meet."""
    found: dict[str, set[Stretch]] = {}
    for one in played:
        part = one.stretch
        if one.file and (part.end_frame is None or part.end_frame > part.first_frame):
            found.setdefault(one.file, set()).add(part)
    several = {}
    for file, parts in found.items():
        latest = max(part.first_frame for part in parts)
        if any(part.end_frame is not None and part.end_frame <= latest for part in parts):
            several[file] = tuple(sorted(parts, key=_place_in_file))
    return several


def _place_in_file(stretch: Stretch) -> tuple[int, float]:
    return stretch.first_frame, math.inf if stretch.end_frame is None else stretch.end_frame


def _manifest_beside(source: PackSource, name: str) -> Manifest | None:
    """Return the manifest named, or one beside an SFZ file if it can be read."""
    if name.lower().endswith(".json"):
        return _manifest(source.root / name)
    beside = (PurePosixPath(name).parent / MANIFEST_NAME).as_posix()
    if beside not in source.files:
        return None
    try:
        return _manifest(source.root / beside)
    except InputError:
        return None


def _manifest(path: Path) -> Manifest:
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot be read as a manifest ({error}).") from error
    return read_manifest(text, str(path))


def _read_instrument(
    source: PackSource, name: str, manifest: Manifest | None, reference_hz: float | None
) -> ReadInstrument:
    path = source.root / name
    if name.lower().endswith(".json") and manifest is not None:
        reading, problems = _from_manifest(source, path, manifest)
    else:
        reading = read_sfz(path, pack_folder=source.root)
        problems = reading.problems
    targets = _targets(manifest)
    return ReadInstrument(
        name=name,
        regions=tuple(
            ReadRegion(
                region=region,
                file=_inside(region.sample_path, source.root),
                target_cents=targets.get(_place(region), 0.0),
            )
            for region in reading.regions
        ),
        reading=reading,
        problems=problems,
        reference_hz=reference_hz or (manifest.reference_hz if manifest else 440.0),
    )


def _inside(path: Path | None, root: Path) -> str | None:
    if path is None or not path.is_relative_to(root):
        return None
    return path.relative_to(root).as_posix()


def _from_manifest(
    source: PackSource, path: Path, manifest: Manifest
) -> tuple[SfzReading, tuple[SfzProblem, ...]]:
    """Return the zones of a manifest as the SFZ that would be written from it."""
    reading = parse_sfz(write_sfz(sfz_document(manifest)), name=path.name)
    folder = PackFolder(base=path.resolve().parent, root=source.root)
    regions, problems = [], list(reading.problems)
    for region in reading.regions:
        found = folder.find(region.sample)
        if found.path is None:
            problems.append(
                SfzProblem(
                    kind="outside-pack" if found.outside else "sample-missing",
                    message=f"{region.sample}: no such file in the pack",
                    file=path.name,
                    line=0,
                    subject=region.sample,
                )
            )
        regions.append(dataclasses.replace(region, sample_path=found.path, line=None))
    return dataclasses.replace(reading, regions=tuple(regions)), tuple(problems)


_Place = tuple[str, int, int, int]


def _place(region: SfzRegion) -> _Place:
    return (region.sample, region.lokey, region.lovel, region.seq_position)


def _targets(manifest: Manifest | None) -> dict[_Place, float]:
    """Where the zones of a manifest are meant to lie above equal temperament."""
    if manifest is None:
        return {}
    return {
        (zone.sample, zone.low_key, zone.low_velocity, zone.round_robin): zone.target_cents
        for zone in manifest.zones
    }
