"""The proof of an instrument: read its files, play it, measure it, judge it."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from keymapper import __version__
from keymapper.errors import InputError, OutputError
from keymapper.exporting.publish import write_text
from keymapper.formats.audio_file import usable_audio_info
from keymapper.formats.manifest import manifest_beside, pretty_json
from keymapper.formats.sfz import SfzReading, SfzRegion, read_sfz
from keymapper.model.instrument import Manifest
from keymapper.model.proof import (
    Choke,
    PlayedEnd,
    PlayedJoin,
    Proof,
    ProofFinding,
    ProofLimits,
)
from keymapper.progress import Progress, no_progress
from keymapper.proving.events import STARTING_CONTROLLERS, PlayerSettings
from keymapper.proving.hearing import (
    HearingSettings,
    TuningTarget,
    hear_keys,
)
from keymapper.proving.judging import Heard, findings_of, level_steps, sample_finding
from keymapper.proving.orders import (
    choke_orders,
    key_gaps,
    key_orders,
    one_a_loop,
    one_an_end,
    programmes,
)
from keymapper.proving.player import unplayed_opcodes
from keymapper.proving.seams import JoinOrder, hear_choke, hear_end, hear_join
from keymapper.proving.summary import verdict
from keymapper.workers import Workers

HIGHEST_RATE = 48_000

Work = TypeVar("Work")
Result = TypeVar("Result")


@dataclass(frozen=True, slots=True, kw_only=True)
class ProofSettings:
    """What is played and how it is judged.

    The short form plays every zone at its lowest, root and highest key, once each, and leaves
    out hand-overs, joins, ends and chokes.
    """

    limits: ProofLimits | None = None
    """None takes those of the manifest's recipe beside the SFZ file, else the usual ones."""
    moved_limits: Mapping[str, float] = field(default_factory=dict)
    """Limits by name that count in place of those."""
    short: bool = False
    believes_manifest: bool = True
    """Whether what a build says of a join stands while the file is as it wrote it."""
    target: TuningTarget | None = None
    """None takes the manifest's beside the SFZ file, else equal temperament at 440 Hz."""
    hold_seconds: float = 2.5
    tail_seconds: float = 0.5
    pack_folder: Path | None = None
    """The folder that samples may lie in; None takes that of the SFZ file."""
    progress: Progress = no_progress


def prove_instrument(
    path: Path, settings: ProofSettings | None = None, workers: Workers | None = None
) -> Proof:
    """Play the instrument at `path` (an SFZ file, or a folder with one) and measure it.

    workers : an open pool to use; None plays in this process.

    Raises
    ------
    InputError
        There is no SFZ file, more than one, or none of its samples can be played.
    """
    settings, workers = settings or ProofSettings(), workers or Workers(1)
    file = sfz_file(path)
    reading = read_sfz(file, pack_folder=settings.pack_folder)
    paths = sorted({r.sample_path for r in reading.regions if r.sample_path is not None})
    probes = dict(zip(paths, workers.run(_probe, paths), strict=True))
    playable = {path for path, probe in probes.items() if not probe.reason}
    regions = tuple(region for region in reading.regions if region.sample_path in playable)
    if not regions:
        raise InputError(f"{file}: {_why_nothing(reading)}")
    manifest = manifest_beside(file)
    stated = settings.limits or (ProofLimits() if manifest is None else manifest.recipe.proof)
    limits = replace(stated, **settings.moved_limits)
    hearing = HearingSettings(
        player=player_settings(reading, (probes[path].rate for path in sorted(playable))),
        target=settings.target or _tuning_target(manifest),
        hold_seconds=settings.hold_seconds,
        tail_seconds=settings.tail_seconds,
        limits=limits,
    )
    heard = replace(
        _heard(regions, hearing, settings, workers, manifest),
        backwards=_backwards(manifest),
        layers=() if manifest is None else manifest.recipe.layer,
    )
    findings = (*_unplayable(reading, probes), *findings_of(heard, limits))
    return Proof(
        tool_version=__version__,
        instrument=file.name,
        verdict=verdict(heard, findings),
        reference_hz=hearing.target.reference_hz,
        rate=hearing.player.rate,
        limits=limits,
        findings=findings,
        notes=heard.notes,
        level_steps=level_steps(heard.notes),
        hand_overs=heard.hand_overs,
        joins=heard.joins,
        ends=heard.ends,
        chokes=heard.chokes,
        unplayed_opcodes=tuple(
            sorted({name for region in reading.regions for name in unplayed_opcodes(region)})
        ),
    )


def proof_data(proof: Proof) -> Any:
    """Return a proof as plain data for JSON, numbers rounded to what was measured."""
    return _rounded(msgspec.to_builtins(proof))


def _rounded(data: Any) -> Any:
    if isinstance(data, float):
        return round(data, 4)
    if isinstance(data, dict):
        return {name: _rounded(value) for name, value in data.items()}
    if isinstance(data, list | tuple):
        return [_rounded(value) for value in data]
    return data


def write_proof(proof: Proof, path: Path) -> None:
    """Write a proof as JSON; an older proof is replaced, any other file is left alone.

    Raises
    ------
    OutputError
        If `path` is another kind of file, or cannot be written.
    """
    if path.exists() and not _is_proof(path):
        raise OutputError(f"{path}: is no proof and is not replaced; choose another --output.")
    write_text(path, pretty_json(proof_data(proof)))


def _is_proof(path: Path) -> bool:
    if not path.is_file():
        return False
    with path.open("rb") as file:
        return b'"format": "keymapper-proof"' in file.read(200)


def read_proof(path: Path) -> Proof:
    """Return the proof that `write_proof` wrote.

    Raises
    ------
    InputError
        The file is no proof of this version.
    """
    try:
        return msgspec.json.decode(path.read_bytes(), type=Proof)
    except (OSError, msgspec.MsgspecError) as error:
        raise InputError(f"{path}: is no proof that can be read ({error}).") from error


def sfz_file(path: Path) -> Path:
    """Return the one SFZ file that `path` is or holds.

    Raises
    ------
    InputError
        There is none, or more than one.
    """
    if not path.is_dir():
        return path
    files = sorted(file for file in path.iterdir() if file.suffix.lower() == ".sfz")
    if len(files) != 1:
        names = ", ".join(file.name for file in files[:5])
        what = f"holds more than one .sfz file ({names}); name one" if files else "holds no .sfz"
        raise InputError(f"{path}: {what}.")
    return files[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Probe:
    """Whether a sample can be played."""

    rate: int
    reason: str


def _probe(path: Path) -> _Probe:
    try:
        return _Probe(rate=usable_audio_info(path).rate, reason="")
    except InputError as error:
        return _Probe(rate=0, reason=str(error).removeprefix(f"{path}: "))


def player_settings(reading: SfzReading, rates: Iterable[int]) -> PlayerSettings:
    """Return settings that suit an instrument: the commonest of its `rates`, up to 48 kHz."""
    counts = Counter(rates)
    commonest = max(counts, key=lambda rate: (counts[rate], rate), default=HIGHEST_RATE)
    return PlayerSettings(
        rate=min(commonest, HIGHEST_RATE),
        controllers={**STARTING_CONTROLLERS, **dict(reading.control.controllers)},
        curves={curve.index: curve.points for curve in reading.curves},
        key_offset=reading.control.key_offset,
    )


def _why_nothing(reading: SfzReading) -> str:
    """Say why nothing of an SFZ file can be played."""
    if not reading.regions:
        return "holds no zone; is it an SFZ file?"
    if all(region.is_generator for region in reading.regions):
        return "its sounds are made by the player; there are no samples to play."
    return "none of its samples can be played; check the paths in it."


def _unplayable(reading: SfzReading, probes: Mapping[Path, _Probe]) -> tuple[ProofFinding, ...]:
    """Return a finding for every sample that cannot be played."""
    reasons = {}
    for region in reading.regions:
        if region.sample_path is None and not region.is_generator:
            reasons[region.sample] = "is missing or lies outside the pack"
        elif region.sample_path is not None and probes[region.sample_path].reason:
            reasons[region.sample] = probes[region.sample_path].reason
    return tuple(sample_finding(sample, reason) for sample, reason in reasons.items())


def _tuning_target(found: Manifest | None) -> TuningTarget:
    """Return what the keys are meant to be: as the manifest says, else 440 Hz."""
    if found is None:
        return TuningTarget()
    targets: dict[int, set[float]] = defaultdict(set)
    for zone in found.zones:
        for key in range(zone.low_key, zone.high_key + 1):
            targets[key].add(zone.target_cents)
    return TuningTarget(
        reference_hz=found.reference_hz,
        cents={key: min(cents) for key, cents in targets.items()},
        spread_cents={key: max(cents) - min(cents) for key, cents in targets.items()},
    )


def _backwards(found: Manifest | None) -> frozenset[str]:
    """Return the samples that the manifest says are played from their end."""
    notes = () if found is None else found.notes
    return frozenset(note.sample.file for note in notes if note.sample.processing.reversed)


def _heard(
    regions: tuple[SfzRegion, ...],
    hearing: HearingSettings,
    settings: ProofSettings,
    workers: Workers,
    manifest: Manifest | None,
) -> Heard:
    def run(what: str, act: Callable[[Work], Result], work: Sequence[Work]) -> Iterator[Result]:
        for done, result in enumerate(workers.run(act, work), start=1):
            settings.progress(what, done, len(work))
            yield result

    played = programmes(regions, hearing)
    keys = [
        part
        for programme in played
        for part in run(
            "keys",
            hear_keys,
            list(key_orders(regions, programme, hearing, short=settings.short)),
        )
    ]
    chokes: list[Choke] = []
    joins: list[PlayedJoin | None] = []
    ends: list[PlayedEnd | None] = []
    if not settings.short:
        orders = [order for programme in played for order in choke_orders(regions, programme)]
        chokes = list(run("chokes", hear_choke, orders))
        notes = manifest.notes if manifest and settings.believes_manifest else ()
        stated = {note.sample.file: note.sample for note in notes}
        loops = [
            JoinOrder(region=region, stated=stated.get(region.sample))
            for region in one_a_loop(regions)
        ]
        joins = list(run("loops", hear_join, loops))
        ends = list(run("ends", hear_end, one_an_end(regions)))
    started = frozenset[SfzRegion]().union(*(part.started for part in keys))
    return Heard(
        notes=tuple(note for part in keys for note in part.notes),
        hand_overs=tuple(border for part in keys for border in part.hand_overs),
        joins=tuple(join for join in joins if join is not None),
        ends=tuple(end for end in ends if end is not None),
        chokes=tuple(chokes),
        gaps=key_gaps(played),
        left_out=tuple(region.sample for region in regions if region not in started),
    )
