"""Make an instrument fit a budget: choose what stays, and refit what is kept in less memory."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from keymapper.exporting.audio import prepared
from keymapper.formats.two_sides import read_place
from keymapper.mapping.budget import (
    BudgetLimits,
    BudgetPlan,
    KeepableNote,
    budget_plan,
)
from keymapper.mapping.placing import Place
from keymapper.mapping.set_notes import DecidedNote, PlacedNote
from keymapper.mapping.splits import with_quieter_splits
from keymapper.mapping.voicing import voiced
from keymapper.measuring.shortening import shapes
from keymapper.model.instrument import SkippedFile
from keymapper.model.shape import Shape
from keymapper.pipeline.plan import BuildPlan, KeptSample, set_notes
from keymapper.pipeline.refitting import Member, refit_of, refitted
from keymapper.workers import Workers


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
        Member(
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


def _shapes(member: Member) -> tuple[Shape, ...]:
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


def _keepable(member: Member, found: tuple[Shape, ...]) -> KeepableNote:
    recording = member.recording
    return KeepableNote(
        tone=recording.measurement.tone,
        rate=recording.preparation.rate,
        channels=recording.source.channels if recording.preparation.channel == "all" else 1,
        shapes=found,
        stack=member.layer,
    )


def _kept_samples(
    found: BudgetPlan, members: Sequence[Member], notes: Sequence[KeepableNote], pool: Workers
) -> dict[int, KeptSample]:
    """Return how each kept member is written, by its index."""
    refits = [refit_of(members[one.note], notes[one.note], one, found) for one in found.treatments]
    samples = pool.run(refitted, refits)
    return {
        one.note: replace(sample, bits=found.bits)
        for one, sample in zip(found.treatments, samples, strict=True)
    }


def _within(
    plan: BuildPlan,
    layer: int,
    members: Sequence[Member],
    found: BudgetPlan,
    kept: dict[int, KeptSample],
) -> BuildPlan:
    """Return the plan of one layer with its kept notes alone, as even as with all."""
    own = [index for index, member in enumerate(members) if member.layer == layer]
    staying = [index for index in own if index in kept]
    kept_samples = {
        (members[index].placed.note, members[index].placed.is_reversed): kept[index]
        for index in staying
    }
    placed = tuple(
        _as_loud_as_recorded(note, kept_samples[note.note, note.is_reversed])
        for note in _placed_again(plan, own, members, found)
    )
    files = {members[index].recording.source.file for index in own}
    files -= {members[index].recording.source.file for index in staying}
    skipped = [
        SkippedFile(file=file, reason="left out to fit the budget") for file in sorted(files)
    ]
    rates = {one.note: one.rate for one in found.treatments}
    larger = sum(kept[index].preparation.rate > rates[index] for index in staying)
    remarks = _remarks(found.given_up_of[layer] if found.given_up_of else (), larger)
    assembly = replace(
        plan.assembly,
        placed=placed,
        skipped=(*plan.assembly.skipped, *skipped),
        remarks=(*plan.assembly.remarks, *remarks),
    )
    return replace(plan, assembly=assembly, kept=kept_samples)


def _placed_again(
    plan: BuildPlan, own: Sequence[int], members: Sequence[Member], found: BudgetPlan
) -> tuple[PlacedNote, ...]:
    """Return the notes of one layer that stay, at the places that the budget gives them.

    own : the indexes of its members.
    """
    own_index = {index: position for position, index in enumerate(own)}
    places = [
        replace(place, note=own_index[place.note])
        for place in found.places
        if place.note in own_index
    ]
    decided = [_decided(members[index].placed) for index in own]
    if plan.assembly.layout == "keys":
        places = _with_quieter_splits(plan, places, decided)
    notes = set_notes(plan.measured, plan.named, plan.recipe)
    gains = [members[own[place.note]].placed.gain_db for place in places]
    return voiced(notes, decided, places, plan.recipe, plan.assembly.layout, gains)


def _remarks(given_up: tuple[str, ...], larger: int) -> tuple[str, ...]:
    """Return what was given up in words, and that some notes stay larger than was planned."""
    if not larger:
        return given_up
    which = "1 note, which stays" if larger == 1 else f"{larger} notes, which stay"
    return (*given_up, f"no loop at a lower rate for {which} larger")


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
