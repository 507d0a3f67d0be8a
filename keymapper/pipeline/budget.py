"""Make an instrument fit a budget: choose what stays, and refit what is kept in less memory."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from keymapper.exporting.audio import Preparation, prepared
from keymapper.formats.audio_file import Audio
from keymapper.formats.two_sides import read_place
from keymapper.mapping.budget import (
    BudgetLimits,
    BudgetPlan,
    KeepableNote,
    Treatment,
    budget_plan,
)
from keymapper.mapping.placing import Place
from keymapper.mapping.set_notes import DecidedNote, PlacedNote
from keymapper.mapping.splits import with_quieter_splits
from keymapper.mapping.voicing import voiced
from keymapper.measuring.levels import MOST_LOST_DB, folded_level, peak_dbfs, rms_dbfs
from keymapper.measuring.loops import find_loop, flattened
from keymapper.measuring.loops.crossfade import GUARD_FRAMES
from keymapper.measuring.shortening import falling_as, heard_db, shapes
from keymapper.model.instrument import SkippedFile
from keymapper.model.loop import LoopOptions, LoopVerdict
from keymapper.model.shape import Shape
from keymapper.pipeline.plan import BuildPlan, KeptSample, set_notes
from keymapper.recording import Recording
from keymapper.workers import Workers


@dataclass(frozen=True, slots=True, kw_only=True)
class _Member:
    """A placed note, its layer, and the ways to keep it."""

    layer: int
    placed: PlacedNote
    recording: Recording
    loop: LoopVerdict
    flatten: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class _Refit:
    """A member to be kept at a lower rate, in one of its shapes."""

    member: _Member
    shape: Shape
    preparation: Preparation


def within_budget(plans: Sequence[BuildPlan], pool: Workers) -> list[BuildPlan]:
    """Return the plans of all layers with what does not fit their recipe's budget given up.

    Raises
    ------
    UsageError
        Nothing that plays every key is so small.
    """
    settings, recipe = plans[0].recipe.budget, plans[0].recipe
    if settings.most_bytes is None and settings.max_notes is None:
        return list(plans)
    members = [
        _Member(
            layer=layer,
            placed=placed,
            recording=plan.recording(placed),
            loop=plan.loop(placed),
            flatten=recipe.loops.flatten,
        )
        for layer, plan in enumerate(plans)
        for placed in plan.assembly.placed
    ]
    notes = [
        _keepable(member, found)
        for member, found in zip(members, pool.run(_shapes, members), strict=True)
    ]
    limits = BudgetLimits(
        most_bytes=settings.most_bytes,
        most_notes=settings.max_notes,
        bits=recipe.samples.bits,
        may_fold=settings.fold,
        may_lower_bits=settings.lower_bits,
        may_lower_rates=settings.lower_rates,
        may_shorten=settings.shorten,
        interchangeable=all(plan.assembly.layout == "keys" for plan in plans),
        zones=recipe.zones,
    )
    roots = [member.placed.decision.root_key for member in members]
    places = [replace(member.placed.place, note=index) for index, member in enumerate(members)]
    found = budget_plan(places, roots, notes, limits)
    kept = _kept_samples(found, members, notes, pool)
    return [_within(plan, layer, members, found, kept) for layer, plan in enumerate(plans)]


def _shapes(member: _Member) -> tuple[Shape, ...]:
    recording = member.recording
    audio = read_place(recording.place.audio)
    return shapes(
        prepared(audio.samples, audio.info.rate, recording.preparation),
        recording.preparation.rate,
        recording.measurement.tone,
        member.loop,
        recording.measurement.pitch.f0_hz,
        flatten=member.flatten,
        settled_frame=recording.settled_frame,
    )


def _keepable(member: _Member, found: tuple[Shape, ...]) -> KeepableNote:
    recording = member.recording
    return KeepableNote(
        tone=recording.measurement.tone,
        rate=recording.preparation.rate,
        channels=recording.source.channels if recording.preparation.channel == "all" else 1,
        shapes=found,
        stack=member.layer,
    )


def _kept_samples(
    found: BudgetPlan, members: Sequence[_Member], notes: Sequence[KeepableNote], pool: Workers
) -> dict[int, KeptSample]:
    """Return how each kept member is written, by its index."""
    refits = [_refit(members[one.note], notes[one.note], one, found) for one in found.treatments]
    samples = pool.run(_refitted, refits)
    return {
        one.note: replace(sample, bits=found.bits)
        for one, sample in zip(found.treatments, samples, strict=True)
    }


def _refit(member: _Member, note: KeepableNote, treatment: Treatment, found: BudgetPlan) -> _Refit:
    how, shape = member.recording.preparation, note.shapes[treatment.shape]
    end = how.end_frame
    if shape.loop.loop is None:
        scale = how.scale(member.recording.source.rate)
        end = min(end, how.start_frame + math.ceil(shape.frames / scale))
    folds = found.folded and how.channel == "all" and note.channels > 1
    return _Refit(
        member=member,
        shape=shape,
        preparation=replace(
            how,
            channel="folded" if folds else how.channel,
            end_frame=end,
            rate=treatment.rate,
        ),
    )


def _refitted(refit: _Refit) -> KeptSample:
    """Return a sample as it is kept, its loop found again at its own rate.

    A note that has none at all within its room at a lower rate keeps the rate it had.
    """
    recording, own = refit.member.recording, refit.member.recording.preparation.rate
    sample = KeptSample(preparation=refit.preparation, loop=refit.shape.loop)
    if _is_unchanged(sample, refit.member):
        return sample
    audio = read_place(recording.place.audio)
    note = prepared(audio.samples, audio.info.rate, sample.preparation)
    if sample.loop.loop is not None and sample.preparation.rate != own:
        loop = _loop_found_again(refit, note)
        if loop is not None:
            sample = replace(sample, loop=loop)
        else:
            sample = replace(sample, preparation=replace(sample.preparation, rate=own))
            note = prepared(audio.samples, audio.info.rate, sample.preparation)
    return (
        sample
        if _is_unchanged(sample, refit.member)
        else _with_level(sample, recording, audio, note)
    )


def _is_unchanged(sample: KeptSample, member: _Member) -> bool:
    return sample.loop == member.loop and sample.preparation == member.recording.preparation


def _with_level(
    sample: KeptSample, recording: Recording, audio: Audio, note: np.ndarray
) -> KeptSample:
    """Return a sample with what it loses in level, and its peak.

    audio : the recording. note : prepared as the sample is.
    """
    how, loop = sample.preparation, sample.loop
    level = flattened(note, how.rate, loop)
    goes_on = loop.flattening is None or loop.flattening.decay_db_per_second == 0
    if loop.loop is not None and goes_on:
        heard = level[loop.loop.start_frame : loop.loop.end_frame]
        lost_db = recording.measurement.levels.body_dbfs - rms_dbfs(heard)
    elif how.channel == "folded":
        both = prepared(audio.samples, audio.info.rate, replace(how, channel="all"))
        lost_db = folded_level(both, loop.loop).lost_db
    else:
        lost_db = 0.0
    return replace(
        sample,
        lost_db=min(max(lost_db, -MOST_LOST_DB), MOST_LOST_DB),
        peak_dbfs=peak_dbfs(level),
    )


def _loop_found_again(refit: _Refit, note: np.ndarray) -> LoopVerdict | None:
    """Return the loop of a note at a lower rate, never one that was scaled; None where none is.

    The first that is not heard, else the one heard least.
    """
    rate, own = refit.preparation.rate, refit.member.recording.preparation.rate
    end = math.ceil(refit.shape.frames * rate / own) - GUARD_FRAMES
    found: list[tuple[float, LoopVerdict]] = []
    for mode in ("long", "short") if refit.shape.loop.kind == "long" else ("short",):
        loop = find_loop(
            note[:end],
            rate,
            f0_hz=refit.member.recording.measurement.pitch.f0_hz,
            note_off_frame=end,
            settled_frame=round(refit.member.recording.settled_frame * rate / own),
            options=LoopOptions(mode=mode, flatten=refit.member.flatten),
        )
        loop = falling_as(loop, refit.shape.loop)
        if loop.loop is not None:
            found.append((max(0.0, heard_db(note, rate, loop)), loop))
        if found and found[-1][0] == 0.0:
            break
    return min(found, key=lambda one: one[0])[1] if found else None


def _within(
    plan: BuildPlan,
    layer: int,
    members: Sequence[_Member],
    found: BudgetPlan,
    kept: dict[int, KeptSample],
) -> BuildPlan:
    """Return the plan of one layer with its kept notes alone, as even as with all."""
    own = [index for index, member in enumerate(members) if member.layer == layer]
    own_index = {index: position for position, index in enumerate(own)}
    places = [
        replace(place, note=own_index[place.note]) for place in found.places if place.note in own
    ]
    decided = [_decided(members[index].placed) for index in own]
    if plan.assembly.layout == "keys":
        places = _with_quieter_splits(plan, places, decided)
    files = [plan.recording(members[index].placed).source.file for index in own]
    staying = {file for index, file in zip(own, files, strict=True) if index in kept}
    skipped = [
        SkippedFile(file=file, reason="left out to fit the budget")
        for file in sorted(set(files) - staying)
    ]
    remarks = found.given_up_of[layer] if found.given_up_of else ()
    rates = {one.note: one.rate for one in found.treatments}
    full_rate = sum(kept[i].preparation.rate > rates[i] for i in own if i in kept)
    if full_rate:
        which = "1 note, which stays" if full_rate == 1 else f"{full_rate} notes, which stay"
        remarks = (*remarks, f"no loop at a lower rate for {which} larger")
    notes = set_notes(plan.measured, plan.named, plan.recipe)
    gains = [members[own[place.note]].placed.gain_db for place in places]
    placed = voiced(notes, decided, places, plan.recipe, plan.assembly.layout, gains)
    kept_samples = {
        (members[i].placed.note, members[i].placed.is_reversed): kept[i] for i in own if i in kept
    }
    return replace(
        plan,
        assembly=replace(
            plan.assembly,
            placed=tuple(
                _as_loud_as_recorded(note, kept_samples[note.note, note.is_reversed])
                for note in placed
            ),
            skipped=(*plan.assembly.skipped, *skipped),
            remarks=(*plan.assembly.remarks, *remarks),
        ),
        kept=kept_samples,
    )


def _as_loud_as_recorded(placed: PlacedNote, kept: KeptSample) -> PlacedNote:
    """Return a note whose sample makes up for what folding or another loop takes of its level."""
    return replace(placed, baked_gain_db=placed.baked_gain_db + kept.lost_db)


def _with_quieter_splits(
    plan: BuildPlan, places: Sequence[Place], decided: Sequence[DecidedNote]
) -> list[Place]:
    tones = [plan.measured.recordings[one.note].measurement.tone for one in decided]
    roots = [one.decision.root_key for one in decided]
    return list(with_quieter_splits(places, roots, tones, plan.recipe.zones))


def _decided(placed: PlacedNote) -> DecidedNote:
    return DecidedNote(
        note=placed.note,
        decision=placed.decision,
        is_reversed=placed.is_reversed,
        choke_group=placed.choke_group,
    )
