"""The manifest of what was decided and written."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from keymapper import __version__
from keymapper.mapping.controls import controls
from keymapper.mapping.doubting import doubts_of_result, doubts_of_turns, sorted_doubts
from keymapper.mapping.set_notes import PlacedNote
from keymapper.mapping.zones import zones_of
from keymapper.model.instrument import (
    Balance,
    Doubt,
    LayerFacts,
    Manifest,
    NoteRecord,
    SampleFile,
    SkippedFile,
    Zone,
)
from keymapper.pipeline.plan import BuildPlan, playback

Written = tuple[BuildPlan, PlacedNote, SampleFile]


def finished_manifest(plans: Sequence[BuildPlan], samples: Sequence[SampleFile]) -> Manifest:
    """Return the manifest of an instrument of one or more layers.

    samples : one a placed note, in the order of the plans.
    """
    placed = [(plan, note) for plan in plans for note in plan.assembly.placed]
    written = [
        (plan, _as_loud(plan, note, file), file)
        for (plan, note), file in zip(placed, samples, strict=True)
    ]
    notes = [_note_record(one) for one in written]
    zones = [zone for one in written for zone in _zones(one, _balance(one[0], plans))]
    recipe = plans[0].recipe
    return Manifest(
        tool_version=__version__,
        name=plans[0].name,
        author=recipe.author or "",
        licence=recipe.licence or "",
        description=recipe.description or "",
        reference_hz=recipe.reference_hz,
        recipe=recipe,
        layers=tuple(_layer_facts(plan, plans) for plan in plans),
        controls=controls(zones, recipe.controls),
        zones=tuple(zones),
        notes=tuple(notes),
        doubts=sorted_doubts([*_doubts(plans), *doubts_of_result(notes), *_unlooped(written)]),
        skipped=tuple(dict.fromkeys(skipped for plan in plans for skipped in _skipped(plan))),
    )


def _as_loud(plan: BuildPlan, placed: PlacedNote, sample: SampleFile) -> PlacedNote:
    """Return a placed note that plays as loud as decided, though its sample was written softer."""
    softer_db = plan.gain_db + placed.baked_gain_db - sample.processing.gain_db
    return replace(placed, gain_db=placed.gain_db + softer_db) if softer_db else placed


def _doubts(plans: Sequence[BuildPlan]) -> list[Doubt]:
    return [
        doubt
        for plan in plans
        for doubt in (
            *plan.named.doubts,
            *plan.assembly.doubts,
            *_doubts_of_turns(plan),
            *_doubts_of_cutting(plan),
        )
    ]


def _skipped(plan: BuildPlan) -> tuple[SkippedFile, ...]:
    return (*plan.measured.skipped, *plan.assembly.skipped)


def _doubts_of_turns(plan: BuildPlan) -> Iterator[Doubt]:
    placed = plan.assembly.placed
    recordings = [plan.recording(note) for note in placed]
    return doubts_of_turns(
        [note.place for note in placed],
        [recording.source.file for recording in recordings],
        [recording.measurement.tone for recording in recordings],
    )


def _doubts_of_cutting(plan: BuildPlan) -> Iterator[Doubt]:
    """Yield what was doubtful when the notes that play were cut from their take."""
    for index in sorted({placed.note for placed in plan.assembly.placed}):
        recording = plan.measured.recordings[index]
        if recording.place.doubts:
            message = "; ".join(recording.place.doubts)
            yield Doubt(file=recording.source.file, about="file", message=message)


def _unlooped(written: Sequence[Written]) -> Iterator[Doubt]:
    """Yield the notes without a loop though the recipe asks for one."""
    for plan, placed, _ in written:
        why = _why_unlooped(plan, placed)
        if why is not None and not placed.is_reversed:
            file = plan.recording(placed).source.file
            yield Doubt(file=file, about="loop", message=f"is not looped: {why}")


def _why_unlooped(plan: BuildPlan, placed: PlacedNote) -> str | None:
    """Return why a note has no loop where the recipe gives it one, or asks for some length."""
    recording, verdict, loops = plan.recording(placed), plan.loop(placed), plan.recipe.loops
    file = recording.source.file
    stated = next((note.loop for note in plan.recipe.note if note.file == file), None)
    if plan.plays_out(placed):
        is_release = placed.place.trigger == "release"
        instead = "release = false" if is_release else 'layout = "keys"'
        why = f"{verdict.reason}; remove its loop from the recipe, or give {instead}"
        return why if isinstance(stated, tuple) else None
    is_asked = loops.wanted_seconds is not None and loops.mode != "none" and stated is not False
    if not is_asked or verdict.loop is not None or not recording.measurement.course.sustains:
        return None
    return f"{verdict.reason}; ask for shorter loops, or hold it longer"


def _layer_facts(plan: BuildPlan, plans: Sequence[BuildPlan]) -> LayerFacts:
    remarks = (*plan.named.facts, *plan.assembly.remarks)
    if len(plans) > 1:
        remarks = (*remarks, _together(plans))
    return LayerFacts(
        folder=plan.job.layer.folder,
        layout=plan.assembly.layout,
        offset_semitones=plan.named.offset_semitones,
        middle_c_octave=plan.named.middle_c_octave,
        remarks=remarks,
        gain_db=plan.gain_db,
    )


def _together(plans: Sequence[BuildPlan]) -> str:
    """Say how many layers sound at once; a split gives each its own keys or velocities."""
    layers = [plan.job.layer for plan in plans]
    corners = [(one.keys[0], other.velocities[0]) for one in layers for other in layers]
    voices = max(
        sum(
            one.keys[0] <= key <= one.keys[1] and one.velocities[0] <= velocity <= one.velocities[1]
            for one in layers
        )
        for key, velocity in corners
    )
    if voices == 1:
        return f"one of {len(layers)} layers, one of which sounds at a time"
    at_most = "at most " if voices < len(layers) else ""
    return f"one of {len(layers)} layers that sound together: {at_most}{voices} voices a key"


def _note_record(written: Written) -> NoteRecord:
    plan, placed, sample = written
    recording = plan.recording(placed)
    return NoteRecord(
        source=recording.source,
        embedded=recording.embedded,
        hints=plan.named.hints[placed.note],
        measurement=recording.measurement,
        decision=placed.decision,
        loop=plan.loop(placed),
        sample=sample,
    )


def _balance(plan: BuildPlan, plans: Sequence[BuildPlan]) -> Balance:
    """Return the side of the balance control that a layer is on; two layers have one."""
    if len(plans) != 2:
        return "none"
    return "first" if plan is plans[0] else "second"


def _zones(written: Written, balance: Balance) -> list[Zone]:
    plan, placed, sample = written
    how = playback(plan, placed, sample.file, balance)
    return zones_of(placed, how, plan.job.targets_cents, plan.recipe)
