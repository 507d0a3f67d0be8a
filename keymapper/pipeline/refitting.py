"""Keep a note in less memory: its sample at a lower rate, its loop found again there."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from keymapper.exporting.audio import Preparation, prepared
from keymapper.formats.audio_file import Audio
from keymapper.formats.two_sides import read_place
from keymapper.mapping.budget import BudgetPlan, KeepableNote, Treatment
from keymapper.mapping.set_notes import PlacedNote
from keymapper.measuring.levels import MOST_LOST_DB, folded_level, peak_dbfs, rms_dbfs
from keymapper.measuring.loops import find_loop, flattened
from keymapper.measuring.loops.crossfade import GUARD_FRAMES
from keymapper.measuring.shortening import falling_as, heard_db
from keymapper.model.loop import LoopOptions, LoopVerdict
from keymapper.model.shape import Shape
from keymapper.pipeline.plan import KeptSample
from keymapper.recording import Recording


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """A placed note, its layer, and the ways to keep it."""

    layer: int
    placed: PlacedNote
    recording: Recording
    loop: LoopVerdict
    flatten: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Refit:
    """A member to be kept at a lower rate, in one of its shapes."""

    member: Member
    shape: Shape
    preparation: Preparation


def refit_of(member: Member, note: KeepableNote, treatment: Treatment, found: BudgetPlan) -> Refit:
    """Return what is to be made of a member by the way that a budget keeps it."""
    how, shape = member.recording.preparation, note.shapes[treatment.shape]
    end = how.end_frame
    if shape.loop.loop is None:
        scale = how.scale(member.recording.source.rate)
        end = min(end, how.start_frame + math.ceil(shape.frames / scale))
    folds = found.folded and how.channel == "all" and note.channels > 1
    return Refit(
        member=member,
        shape=shape,
        preparation=replace(
            how,
            channel="folded" if folds else how.channel,
            end_frame=end,
            rate=treatment.rate,
        ),
    )


def refitted(refit: Refit) -> KeptSample:
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


def _is_unchanged(sample: KeptSample, member: Member) -> bool:
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


def _loop_found_again(refit: Refit, note: np.ndarray) -> LoopVerdict | None:
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
