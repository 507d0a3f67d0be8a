"""The proof of an instrument: read its files, play it, measure it, judge it."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from keymapper import __version__
from keymapper.errors import InputError
from keymapper.formats.audio_file import usable_audio_info
from keymapper.formats.manifest import manifest_beside
from keymapper.formats.sfz import SfzReading, read_sfz
from keymapper.model.instrument import Manifest
from keymapper.model.proof import Proof, ProofFinding, ProofLimits
from keymapper.progress import Progress, no_progress
from keymapper.proving.events import STARTING_CONTROLLERS, PlayerSettings
from keymapper.proving.findings import sample_finding
from keymapper.proving.hearing import HearingSettings, TuningTarget
from keymapper.proving.judging import Heard, findings_of, level_steps
from keymapper.proving.performance import Performer, perform
from keymapper.proving.player import unplayed_opcodes
from keymapper.proving.summary import verdict
from keymapper.workers import Workers

HIGHEST_RATE = 48_000


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
    player = player_settings(reading, (probes[path].rate for path in sorted(playable)))
    hearing = _hearing_settings(settings, player, manifest)
    performer = Performer(workers=workers, progress=settings.progress, short=settings.short)
    believed = manifest if settings.believes_manifest else None
    heard = _with_declared(perform(regions, hearing, performer, believed), manifest)
    findings = (*_unplayable(reading, probes), *findings_of(heard, hearing.limits))
    return Proof(
        tool_version=__version__,
        instrument=file.name,
        verdict=verdict(heard, findings),
        reference_hz=hearing.target.reference_hz,
        rate=hearing.player.rate,
        limits=hearing.limits,
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


def _hearing_settings(
    settings: ProofSettings, player: PlayerSettings, manifest: Manifest | None
) -> HearingSettings:
    stated = settings.limits or (ProofLimits() if manifest is None else manifest.recipe.proof)
    return HearingSettings(
        player=player,
        target=settings.target or _tuning_target(manifest),
        hold_seconds=settings.hold_seconds,
        tail_seconds=settings.tail_seconds,
        limits=replace(stated, **settings.moved_limits),
    )


def _with_declared(heard: Heard, found: Manifest | None) -> Heard:
    """Return what was heard with what the manifest says is meant to be so."""
    if found is None:
        return heard
    backwards = (note.sample.file for note in found.notes if note.sample.processing.reversed)
    return replace(heard, backwards=frozenset(backwards), layers=found.recipe.layer)


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
