"""One sample file, read and measured: the work of one process."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from keymapper.auditing.sound.clicks import find_clicks
from keymapper.auditing.sound.dropouts import find_dropouts
from keymapper.auditing.sound.edges import measured_edges, start_at
from keymapper.auditing.sound.loop_judging import judged_loop
from keymapper.auditing.sound.noise import hum_of, noise_between_dbfs, noise_dbfs
from keymapper.auditing.sound.stereo import mono_loss_db
from keymapper.formats.audio_file import Audio, read_audio, read_audio_info
from keymapper.formats.sample_texts import read_imprint
from keymapper.measuring.centring import centred
from keymapper.measuring.note import measured_note
from keymapper.measuring.steps import step_of
from keymapper.model.instrument import EmbeddedHints, Measurement
from keymapper.model.loop import Loop
from keymapper.model.sample_facts import Disturbances, Edges, SampleFacts
from keymapper.model.sound import SILENCE_DBFS


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopRequest:
    """Loop points as the SFZ gives them; what is missing comes from the file."""

    start_frame: int | None
    end_frame: int | None

    def resolved(self, embedded: EmbeddedHints | None, frames: int) -> Loop:
        """Return the loop a player takes: opcodes, else the file's, else the whole file."""
        start = self.start_frame
        end = self.end_frame
        if start is None:
            start = embedded.loop_start_frame if embedded else None
        if end is None:
            end = embedded.loop_end_frame if embedded else None
        return Loop(start_frame=start or 0, end_frame=frames if end is None else end)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """What a zone plays of a file: half-open, in frames, to the end of the file where none is."""

    first_frame: int
    end_frame: int | None


WHOLE = Stretch(first_frame=0, end_frame=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class FactsOrder:
    """One file, or one sound of several in a file, to be measured."""

    path: Path
    reference_hz: float
    loops: tuple[LoopRequest, ...]
    stretch: Stretch = WHOLE
    starts: tuple[int, ...] = ()
    """Frames of the file at which zones begin to play it, behind the first."""


def sample_facts(order: FactsOrder) -> SampleFacts:
    """Return all that an audit finds out about one file.

    Raises
    ------
    InputError
        The file is not audio that can be used.
    """
    audio = _heard(order)
    imprint = read_imprint(order.path)
    info, rate = audio.info, audio.info.rate
    measurement = measured_note(audio.samples, rate, reference_hz=order.reference_hz)
    sound = centred(audio.samples, rate)
    embedded = imprint.embedded
    requests = list(order.loops)
    if order.stretch != WHOLE:
        embedded = None  # speaks of the file, not of one of its sounds
    elif embedded is not None and embedded.loop_end_frame is not None:
        requests.append(LoopRequest(start_frame=None, end_frame=None))
    first = order.stretch.first_frame
    loops = dict.fromkeys(request.resolved(embedded, info.frames) for request in requests)
    f0_hz = _sure_f0_hz(measurement)
    edges = measured_edges(sound, rate, measurement.course)
    facts = SampleFacts(
        rate=rate,
        channels=info.channels,
        frames=info.frames,
        container=info.container,
        encoding=info.encoding,
        missing_frames=info.missing_frames,
        audio_sha256=_digest(audio.samples, rate),
        embedded=embedded,
        texts=imprint.texts,
        measurement=measurement,
        edges=edges,
        disturbances=_disturbances(audio.samples, sound, rate, measurement, edges),
        mono_loss_db=mono_loss_db(sound),
        loops=tuple(judged_loop(sound, rate, _moved(loop, -first), f0_hz) for loop in loops),
        starts=tuple(
            start_at(sound, frame - first) for frame in order.starts if frame - first < len(sound)
        ),
    )
    return _in_file(facts, first)


def _heard(order: FactsOrder) -> Audio:
    if order.stretch == WHOLE:
        return read_audio(order.path)
    end = read_audio_info(order.path).frames
    if order.stretch.end_frame is not None:
        end = min(end, order.stretch.end_frame)
    return read_audio(order.path, frames=(order.stretch.first_frame, end))


def _in_file(facts: SampleFacts, first_frame: int) -> SampleFacts:
    """Return the facts of a stretch with all places counted from the start of the file."""
    if first_frame == 0:
        return facts
    course, found = facts.measurement.course, facts.disturbances
    course = replace(
        course,
        onset_frame=course.onset_frame + first_frame,
        attack_end_frame=course.attack_end_frame + first_frame,
        note_off_frame=course.note_off_frame + first_frame,
        end_frame=course.end_frame + first_frame,
    )
    lead_seconds = facts.edges.lead_seconds + first_frame / facts.rate
    return replace(
        facts,
        measurement=replace(facts.measurement, course=course),
        edges=replace(facts.edges, lead_seconds=lead_seconds),
        disturbances=replace(
            found,
            dropouts=tuple(
                replace(
                    one,
                    start_frame=one.start_frame + first_frame,
                    end_frame=one.end_frame + first_frame,
                )
                for one in found.dropouts
            ),
            clicks=tuple(replace(one, frame=one.frame + first_frame) for one in found.clicks),
        ),
        loops=tuple(replace(one, loop=_moved(one.loop, first_frame)) for one in facts.loops),
        starts=tuple(replace(one, frame=one.frame + first_frame) for one in facts.starts),
    )


def _moved(loop: Loop, frames: int) -> Loop:
    return replace(loop, start_frame=loop.start_frame + frames, end_frame=loop.end_frame + frames)


def _sure_f0_hz(measurement: Measurement) -> float | None:
    return None if measurement.pitch.doubtful else measurement.pitch.f0_hz


def _digest(samples: np.ndarray, rate: int) -> str:
    digest = hashlib.sha256(f"{rate} {samples.shape[1]} ".encode())
    digest.update(np.ascontiguousarray(samples).data)
    return digest.hexdigest()


def _disturbances(
    stored: np.ndarray, sound: np.ndarray, rate: int, measurement: Measurement, edges: Edges
) -> Disturbances:
    course, f0_hz = measurement.course, _sure_f0_hz(measurement)
    body = measurement.levels.body_dbfs
    lead = round(edges.lead_seconds * rate)
    sounding = (course.onset_frame, course.end_frame)
    step = step_of(stored)
    hum = hum_of(sound, rate, f0_hz, lead)
    between = noise_between_dbfs(
        sound, rate, (course.attack_end_frame, course.note_off_frame), f0_hz
    )
    return Disturbances(
        hum_hz=hum.mains_hz,
        hum_db=SILENCE_DBFS if hum.mains_hz is None else hum.level_dbfs - body,
        noise_dbfs=noise_dbfs(sound, rate, lead),
        noise_between_db=None if between is None else between - body,
        dropouts=find_dropouts(stored, rate, sounding, step),
        clicks=find_clicks(sound, rate, course, measurement.pitch, step),
    )
