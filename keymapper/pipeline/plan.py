"""Decide everything about an instrument before anything is written."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from statistics import median

from keymapper.errors import InputError
from keymapper.exporting.audio import Preparation
from keymapper.exporting.sample import SampleOrder
from keymapper.exporting.sample_names import sample_file_names
from keymapper.exporting.tags import sample_chunks
from keymapper.mapping.assembling import Assembly, assembled, resolved_layout
from keymapper.mapping.controls import brightness
from keymapper.mapping.deciding import believed_stored_keys
from keymapper.mapping.headroom import (
    MOST_VOLUME_DB,
    highest_gain_db,
    lowered,
    played_peak_dbfs,
)
from keymapper.mapping.levels import common_gain_db
from keymapper.mapping.naming import NamedSet, named_set
from keymapper.mapping.set_notes import PlacedNote, SetNote
from keymapper.mapping.zones import Playback
from keymapper.model.instrument import Balance, Brightness, ResolvedLayout
from keymapper.model.loop import LoopVerdict
from keymapper.model.recipe import Recipe
from keymapper.model.sound import Levels
from keymapper.pipeline.measure import MeasuredFolder, MeasuringJob
from keymapper.recording import Recording

SAMPLES_FOLDER = "samples"


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptSample:
    """How a note is written where a budget asks for less than all of it."""

    preparation: Preparation
    loop: LoopVerdict
    bits: int = 24
    lost_db: float = 0.0
    """By how much it is softer for that, which its sample puts back."""
    peak_dbfs: float | None = None
    """None where it is that of the recording."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildPlan:
    """Everything decided, nothing written."""

    job: MeasuringJob
    measured: MeasuredFolder
    named: NamedSet
    assembly: Assembly
    stem: str
    """What the names of its samples begin with."""
    gain_db: float = 0.0
    """Common to all samples of the layer."""
    kept: Mapping[tuple[int, bool], KeptSample] = field(default_factory=dict)
    """By recording and whether it is reversed; what is not in it is written in full."""

    @property
    def name(self) -> str:
        """Name of the instrument."""
        return self.recipe.name or self.job.name

    @property
    def recipe(self) -> Recipe:
        """The user's decisions."""
        return self.job.recipe

    def recording(self, placed: PlacedNote) -> Recording:
        """Return the recording that a placed note came from."""
        return self.measured.recordings[placed.note]

    def sample(self, placed: PlacedNote) -> KeptSample:
        """Return how a placed note is written."""
        recording, bits = self.recording(placed), self.recipe.samples.bits
        full = KeptSample(preparation=recording.preparation, loop=recording.loop, bits=bits)
        return self.kept.get((placed.note, placed.is_reversed), full)

    def plays_out(self, placed: PlacedNote) -> bool:
        """Say whether a placed note plays to its end, whatever its key does."""
        return self.assembly.layout == "one-shots" or placed.place.trigger == "release"

    def loop(self, placed: PlacedNote) -> LoopVerdict:
        """Return the loop of a placed note; what plays to its end has none."""
        if self.plays_out(placed):
            return LoopVerdict(loop=None, kind="none", reason="it plays to its end")
        return self.sample(placed).loop


def build_plan(job: MeasuringJob, measured: MeasuredFolder, stem: str) -> BuildPlan:
    """Return names read, keys decided and places given.

    stem : what the names of its samples begin with.

    Raises
    ------
    InputError
        No recording can be used.
    """
    recordings, recipe = measured.recordings, job.recipe
    files = [recording.source.file for recording in recordings]
    measurements = [recording.measurement for recording in recordings]
    layout = resolved_layout(files, measurements, recipe)
    named, assembly = _laid(measured, layout, recipe)
    on_keys = len({placed.note for placed in assembly.placed})
    if recipe.layout == "auto" and layout == "keys" and 2 * on_keys < len(recordings):
        named, assembly = _laid(measured, "one-shots", recipe)
        which = "most sounds have no pitch" if on_keys else "no sound has a pitch"
        remark = f"{which} and nothing else tells a key: laid as one-shots"
        assembly = replace(assembly, remarks=(remark, *assembly.remarks))
    if not assembly.placed:
        reasons = [*measured.skipped, *assembly.skipped]
        first = f" (the first: {reasons[0].file}: {reasons[0].reason})" if reasons else ""
        raise InputError(f"{job.where}: no recording in it can be used{first}")
    return BuildPlan(job=job, measured=measured, named=named, assembly=assembly, stem=stem)


def _laid(
    measured: MeasuredFolder, layout: ResolvedLayout, recipe: Recipe
) -> tuple[NamedSet, Assembly]:
    recordings = measured.recordings
    files = [recording.source.file for recording in recordings]
    named = named_set(
        files,
        [recording.measurement for recording in recordings],
        layout,
        [recording.place.planned_key for recording in recordings],
    )
    if named.are_velocity_ranges:
        recipe = replace(recipe, zones=replace(recipe.zones, velocity_split="recorded"))
    return named, assembled(set_notes(measured, named, recipe), layout, recipe)


def levelled(plans: Sequence[BuildPlan]) -> list[BuildPlan]:
    """Return plans with their gains: layers equally loud but for their own gain, one peak for all.

    A layer is as loud as its middle note. The loudest sample gets the peak asked for; where levels
    or velocities raise zones beyond it, all zones come down together until no note plays louder.
    """
    bodies = [[_levels(plan, note).body_dbfs for note in plan.assembly.placed] for plan in plans]
    balance = [
        median(bodies[0]) - median(body) + plan.job.layer.gain_db
        for plan, body in zip(plans, bodies, strict=True)
    ]
    peaks = [
        [(note, _peak_dbfs(plan, note) + gain) for note in plan.assembly.placed]
        for plan, gain in zip(plans, balance, strict=True)
    ]
    highest_dbfs = plans[0].recipe.levels.peak_dbfs
    common = common_gain_db([peak for layer in peaks for _, peak in layer], highest_dbfs)
    over_db = max(0.0, played_peak_dbfs(peaks) + common - highest_dbfs)
    return [
        replace(plan, gain_db=common + gain, assembly=_lowered(plan.assembly, over_db))
        for plan, gain in zip(plans, balance, strict=True)
    ]


def within_most_volume(plans: Sequence[BuildPlan]) -> list[BuildPlan]:
    """Return plans no zone of which has more volume than players take.

    What is over goes into its sample; where that, or what is played, would pass the peak asked
    for, all come down.
    """
    highest_dbfs = plans[0].recipe.levels.peak_dbfs
    peaks = [
        [(note, _peak_dbfs(plan, note) + plan.gain_db) for note in plan.assembly.placed]
        for plan in plans
    ]
    baked_peaks_dbfs = [
        peak_dbfs + highest_gain_db(note) - MOST_VOLUME_DB
        for layer in peaks
        for note, peak_dbfs in layer
    ]
    over_db = max(0.0, max(*baked_peaks_dbfs, played_peak_dbfs(peaks)) - highest_dbfs)
    return [replace(plan, assembly=_lowered(plan.assembly, over_db)) for plan in plans]


def _lowered(assembly: Assembly, by_db: float) -> Assembly:
    return replace(assembly, placed=tuple(lowered(note, by_db) for note in assembly.placed))


def _levels(plan: BuildPlan, placed: PlacedNote) -> Levels:
    return plan.recording(placed).measurement.levels


def _peak_dbfs(plan: BuildPlan, placed: PlacedNote) -> float:
    """Return the peak of a note as it is kept, with its own gain in the sample."""
    kept_dbfs = plan.sample(placed).peak_dbfs
    peak_dbfs = _levels(plan, placed).peak_dbfs if kept_dbfs is None else kept_dbfs
    return peak_dbfs + placed.baked_gain_db


def set_notes(measured: MeasuredFolder, named: NamedSet, recipe: Recipe) -> list[SetNote]:
    """Return the notes of a set with all that is known before the set is looked at."""
    corrections = {correction.file: correction for correction in recipe.note}
    stored = [
        None if recording.embedded is None else recording.embedded.root_key
        for recording in measured.recordings
    ]
    return [
        SetNote(
            file=recording.source.file,
            measurement=recording.measurement,
            hints=hints,
            sound=sound,
            stored_key=stored_key,
            correction=corrections.get(recording.source.file),
            key_by_plan=key_by_plan,
        )
        for recording, hints, sound, stored_key, key_by_plan in zip(
            measured.recordings,
            named.hints,
            named.sounds,
            believed_stored_keys(stored),
            named.keys_by_plan,
            strict=True,
        )
    ]


def sample_orders(plan: BuildPlan) -> list[SampleOrder]:
    """Return one order a placed note, in their order."""
    placed = plan.assembly.placed
    names = sample_file_names(plan.stem, placed, f".{plan.recipe.samples.format}")
    return [
        SampleOrder(
            source=plan.recording(note).place.audio,
            file=f"{SAMPLES_FOLDER}/{name}",
            preparation=plan.sample(note).preparation,
            is_reversed=note.is_reversed,
            loop=plan.loop(note),
            gain_db=plan.gain_db + note.baked_gain_db,
            format=plan.recipe.samples.format,
            bits=plan.sample(note).bits,
            chunks=sample_chunks(
                note,
                plan.loop(note).loop,
                plan.recipe,
                name=plan.name,
                baked_cents=plan.sample(note).preparation.baked_cents,
            ),
        )
        for note, name in zip(placed, names, strict=True)
    ]


def playback(
    plan: BuildPlan, placed: PlacedNote, sample: str, balance: Balance = "none"
) -> Playback:
    """Return how a placed note is played from its sample.

    sample : path of the file, relative to the instrument's folder.
    """
    preparation = plan.sample(placed).preparation
    return Playback(
        sample=sample,
        rate=preparation.rate,
        loop=plan.loop(placed),
        layout=plan.assembly.layout,
        baked_cents=preparation.baked_cents,
        layer=plan.job.layer,
        balance=balance,
        brightness=_brightness(plan, placed),
    )


def _brightness(plan: BuildPlan, placed: PlacedNote) -> Brightness | None:
    """Return the low-pass of what sounds on keys; a one-shot's key says nothing of its sound."""
    if plan.plays_out(placed):
        return None
    high_key = placed.place.high_key
    tone = plan.recording(placed).measurement.tone
    return brightness(tone, high_key - placed.decision.root_key, high_key, plan.recipe)
