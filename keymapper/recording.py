"""One recording, read and measured: the work of one process for one file."""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from keymapper.errors import InputError, MeasurementError, UsageError
from keymapper.exporting.audio import Preparation, preparation, prepared
from keymapper.formats.audio_file import Audio
from keymapper.formats.sample_texts import read_imprint
from keymapper.formats.two_sides import AudioPlace, read_place
from keymapper.measuring.levels import rms_dbfs
from keymapper.measuring.loops import find_loop
from keymapper.measuring.note import measured_note
from keymapper.model.instrument import EmbeddedHints, Measurement, SkippedFile, SourceFile
from keymapper.model.loop import Loop, LoopOptions, LoopVerdict
from keymapper.model.pitch import Pitch

SHORTEST_LOOP_SECONDS = 0.001
"""One period of a tone of 1 kHz; what is shorter is a slip of the pen."""
LEAD_SECONDS = 0.001
"""What a loop needs before it for its crossfade."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteSource:
    """Where the audio of a note lies: a whole file, or a range of frames of a take."""

    audio: AudioPlace
    name: str
    """Of the note, for people and recipes."""
    sha256: str | None = None
    """Of the file, where it is known already."""
    planned_key: int | None = None
    """What the plan of its session pressed; None without a plan."""
    doubts: tuple[str, ...] = ()
    """What was doubtful in cutting it."""
    session_seconds: float | None = None
    """When it was played in its session."""
    held_frames: int | None = None
    """How many of its frames its key was held for; None where nobody knows."""
    cut_frames: int | None = None
    """How many frames were cut for it: a file of another length was changed since."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuringOrder:
    """One file to be measured."""

    source: NoteSource
    reference_hz: float
    rate: int | None
    targets_cents: tuple[float | None, ...] | None
    """Where each key is meant to lie, when the tuning is to be baked; else None."""
    loop: LoopOptions
    """A given loop is in frames of the source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """A recording and all that its sound says."""

    source: SourceFile
    place: NoteSource
    embedded: EmbeddedHints | None
    measurement: Measurement
    preparation: Preparation
    loop: LoopVerdict
    """Frames of the prepared note."""

    @property
    def sounding_seconds(self) -> float:
        """How long the recorded note sounds."""
        course = self.measurement.course
        return (course.end_frame - course.onset_frame) / self.source.rate

    @property
    def settled_frame(self) -> int:
        """From which frame of the prepared note on its pitch moves as it goes on to."""
        return _settled_frame(self.measurement.pitch, self.preparation, self.source.rate)


def measured_recording(order: MeasuringOrder) -> Recording | SkippedFile:
    """Return what a file holds, or why it cannot be used.

    Raises
    ------
    UsageError
        The recipe gives it a loop that it cannot have.
    """
    try:
        return _measured(order)
    except (InputError, MeasurementError) as error:
        reason = str(error).removeprefix(f"{order.source.audio.path}: ")
        return SkippedFile(file=order.source.name, reason=reason)


def _measured(order: MeasuringOrder) -> Recording:
    place = order.source
    audio = read_place(place.audio)
    held_frames = place.held_frames if len(audio.samples) == place.cut_frames else None
    measurement = measured_note(
        audio.samples,
        audio.info.rate,
        reference_hz=order.reference_hz,
        note_off_frame=held_frames,
    )
    baked_cents = _baked_cents(measurement.pitch, order.targets_cents)
    cut = preparation(measurement, audio.info.rate, order.rate, baked_cents)
    note = prepared(audio.samples, audio.info.rate, cut)
    try:
        options = _in_prepared_frames(order.loop, cut, audio.info.rate, len(note))
    except UsageError as error:
        raise UsageError(f"{place.name}: {error}") from error
    loop = find_loop(
        note,
        cut.rate,
        f0_hz=measurement.pitch.f0_hz,
        note_off_frame=_note_off_frame(held_frames, cut, audio.info.rate),
        settled_frame=_settled_frame(measurement.pitch, cut, audio.info.rate),
        options=options,
    )
    whole = place.audio.frames is None
    return Recording(
        source=_source_file(place, audio),
        place=place,
        embedded=read_imprint(place.audio.path).embedded if whole else None,
        measurement=_with_level_of_loop(measurement, note, loop),
        preparation=cut,
        loop=loop,
    )


def _note_off_frame(held_frames: int | None, cut: Preparation, source_rate: int) -> int | None:
    """Return at which frame of the cut note its key was let go; None where nobody knows."""
    if held_frames is None:
        return None
    return max(0, round((held_frames - cut.start_frame) * cut.scale(source_rate)))


def _settled_frame(pitch: Pitch, cut: Preparation, source_rate: int) -> int:
    """Return from which frame of the cut note on its pitch moves as it goes on to."""
    if pitch.moving_from_seconds is None:
        return 0
    frames = pitch.moving_from_seconds * source_rate - cut.start_frame
    return max(0, round(frames * cut.scale(source_rate)))


def _with_level_of_loop(
    measurement: Measurement, note: np.ndarray, found: LoopVerdict
) -> Measurement:
    """Return what was measured with the level of what goes on sounding as the note's own."""
    if found.loop is None:
        return measurement
    body = rms_dbfs(note[found.loop.start_frame : found.loop.end_frame])
    if found.flattening is not None and found.flattening.decay_db_per_second == 0:
        body += found.flattening.loop_gain_db
    return replace(measurement, levels=replace(measurement.levels, body_dbfs=body))


def _baked_cents(pitch: Pitch, targets_cents: tuple[float | None, ...] | None) -> float:
    """How sharp a note is of where its key is meant to lie; 0 for a doubtful one, which stays."""
    if targets_cents is None or pitch.doubtful or pitch.root_key is None:
        return 0.0
    return (pitch.tuning_cents or 0.0) - (targets_cents[pitch.root_key] or 0.0)


def _source_file(place: NoteSource, audio: Audio) -> SourceFile:
    info, (path, frames) = audio.info, (place.audio.path, place.audio.frames)
    return SourceFile(
        file=place.name,
        take="" if frames is None else path.name,
        first_frame=0 if frames is None else frames[0],
        sha256=place.sha256 or file_sha256(path),
        rate=info.rate,
        channels=info.channels,
        frames=len(audio.samples),
        container=info.container,
        encoding=info.encoding,
        missing_frames=info.missing_frames if frames is None else 0,
        session_seconds=place.session_seconds,
    )


def file_sha256(path: Path) -> str:
    """Return the SHA-256 of a file's bytes, in hexadecimal digits."""
    with path.open("rb") as content:
        return hashlib.file_digest(content, "sha256").hexdigest()


def _in_prepared_frames(
    options: LoopOptions, cut: Preparation, source_rate: int, frames: int
) -> LoopOptions:
    """Move a given loop to where the cut note has it.

    Raises UsageError for one that is too short or lies outside the sounding part.
    """
    if options.given is None:
        return options
    scale = cut.scale(source_rate)
    start = round((options.given.start_frame - cut.start_frame) * scale)
    end = round((options.given.end_frame - cut.start_frame) * scale)
    shortest, lead = (math.ceil(s * cut.rate) for s in (SHORTEST_LOOP_SECONDS, LEAD_SECONDS))
    if not lead <= start <= end - shortest <= frames - shortest:
        first = cut.start_frame + math.ceil(lead / scale)
        raise UsageError(
            f"the recipe's loop [{options.given.start_frame}, {options.given.end_frame}] must lie "
            f"within the sounding frames [{first}, {cut.end_frame}] and be "
            f"{math.ceil(shortest / scale)} frames or more; correct it."
        )
    return replace(options, given=Loop(start_frame=start, end_frame=end))
