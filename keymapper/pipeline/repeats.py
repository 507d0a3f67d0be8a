"""Fold repeats that are the same sound once more, by comparing their audio."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from keymapper.formats.two_sides import read_place
from keymapper.mapping.assembling import Assembly
from keymapper.mapping.repeats import folded_repeats, repeats_to_compare
from keymapper.mapping.set_notes import PlacedNote
from keymapper.measuring.centring import centred
from keymapper.measuring.likeness import excerpt, likeness
from keymapper.model.instrument import SkippedFile
from keymapper.model.likeness import Likeness
from keymapper.pipeline.plan import BuildPlan
from keymapper.recording import Recording
from keymapper.workers import Workers


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pair:
    one: Recording
    other: Recording


def without_same_repeats(plan: BuildPlan, pool: Workers) -> BuildPlan:
    """Return the plan with each repeat left out that nobody would tell from another."""
    placed = plan.assembly.placed
    places = [replace(note.place, note=index) for index, note in enumerate(placed)]
    wanted = repeats_to_compare(places)
    pairs = [
        _Pair(one=plan.recording(placed[one]), other=plan.recording(placed[other]))
        for one, other in wanted
    ]
    likenesses = dict(zip(wanted, pool.run(_likeness, pairs), strict=True))
    roots = [note.decision.root_key for note in placed]
    seconds = [plan.recording(note).sounding_seconds for note in placed]
    found = folded_repeats(places, likenesses, roots, seconds)
    if not found.folded:
        return plan
    kept = tuple(replace(placed[place.note], place=place) for place in found.places)
    skipped = [
        SkippedFile(
            file=plan.recording(placed[one.note]).source.file,
            reason=f"the same sound as {plan.recording(placed[one.same_as]).source.file}",
        )
        for one in found.folded
    ]
    return replace(plan, assembly=_with(plan, kept, skipped, found.remarks))


def _with(
    plan: BuildPlan,
    placed: tuple[PlacedNote, ...],
    skipped: Sequence[SkippedFile],
    remarks: tuple[str, ...],
) -> Assembly:
    return replace(
        plan.assembly,
        placed=placed,
        skipped=(*plan.assembly.skipped, *skipped),
        remarks=(*plan.assembly.remarks, *remarks),
    )


def _likeness(pair: _Pair) -> Likeness:
    one, other = pair.one, pair.other
    if one.source.rate != other.source.rate:
        return Likeness(correlation=0.0, least_correlation=0.0, level_difference_db=0.0)
    return likeness(_excerpt(one), _excerpt(other), one.source.rate)


def _excerpt(recording: Recording) -> np.ndarray:
    rate = recording.source.rate
    samples = read_place(recording.place.audio).samples
    return excerpt(centred(samples, rate), rate, recording.measurement.course)
