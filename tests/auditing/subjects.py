"""Subjects for rules, made from nothing: a faultless note, zone, instrument and pack."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np

from keymapper.auditing.subject import Deviation, Pack, PackInstrument, PackSample, PackZone
from keymapper.formats.sfz import SfzProblem, SfzRegion
from keymapper.mapping.names.hints import NameHint
from keymapper.measuring.note import measured_note
from keymapper.model.instrument import EmbeddedHints, Measurement
from keymapper.model.loop import JoinAudibility, Loop
from keymapper.model.pitch import Pitch
from keymapper.model.sample_facts import (
    Disturbances,
    Edges,
    JudgedLoop,
    SampleFacts,
    SampleTexts,
)
from keymapper.model.sound import Channels, Course, Levels
from tests.simple_notes import note

RATE = 48_000
LOOP = Loop(start_frame=48_000, end_frame=96_000)


def pitch(key: int = 60, cents: float = 0.0, **changes: Any) -> Pitch:
    fields: dict[str, Any] = dict.fromkeys(Pitch.__dataclass_fields__)
    fields |= {
        "root_key": key,
        "tuning_cents": cents,
        "tuning_error_cents": 0.1,
        "f0_hz": 440 * 2 ** ((key - 69 + cents / 100) / 12),
        "pitch_confidence": 0.99,
        "definition": "first partial",
        "doubtful": False,
        "doubts": (),
        "drift_cents_per_second": 0.0,
        "reference_hz": 440.0,
    }
    return Pitch(**fields | changes)


def measurement(key: int = 60, cents: float = 0.0, *, sustains: bool = True) -> Measurement:
    """A measured note: pitch, times and level of a faultless one."""
    course = Course(
        onset_frame=48,
        attack_end_frame=1_000,
        note_off_frame=100_000,
        end_frame=100_000,
        sustains=sustains,
    )
    levels = Levels(
        peak_dbfs=-6.0,
        rms_dbfs=-18.0,
        loudness_lufs=-17.0,
        body_dbfs=-15.0,
        noise_floor_dbfs=None,
        dc_offset=0.0001,
        clipped_frames=0,
        flat_top_frames=0,
    )
    return replace(_measured(), pitch=pitch(key, cents), course=course, levels=levels)


@cache
def _measured() -> Measurement:
    """All that is measured of a short stereo note."""
    samples = np.repeat(note(261.6, 0.3), 2, axis=1)
    channels = Channels(
        count=2, dead="", equal=False, inverted=False, correlation=0.6, balance_db=0.2
    )
    return replace(measured_note(samples, RATE), channels=channels)


def facts(key: int = 60, cents: float = 0.0, **changes: Any) -> SampleFacts:
    """Facts of a note; "levels", "sides", "pitch", "edges" and "disturbances" take dicts."""
    base = SampleFacts(
        rate=RATE,
        channels=2,
        frames=100_000,
        container="WAV",
        encoding="PCM_24",
        missing_frames=0,
        audio_sha256=f"{key}",
        embedded=EmbeddedHints(
            root_key=key,
            tuning_cents=0.0,
            loop_start_frame=LOOP.start_frame,
            loop_end_frame=LOOP.end_frame,
        ),
        texts=SampleTexts(),
        measurement=measurement(key, cents, sustains=changes.pop("sustains", True)),
        edges=Edges(
            lead_seconds=0.002,
            rise_seconds=0.01,
            first_step_db=-70.0,
            last_step_db=-70.0,
            tail_db=-60.0,
            fades_out=True,
            quiet_tail_seconds=0.05,
            longest_pause_seconds=0.0,
        ),
        disturbances=Disturbances(
            hum_hz=None,
            hum_db=-200.0,
            noise_dbfs=-80.0,
            noise_between_db=-70.0,
            dropouts=(),
            clicks=(),
        ),
        mono_loss_db=1.0,
        loops=(judged_loop(),),
    )
    measured = base.measurement
    for name, part in (("levels", "levels"), ("sides", "channels"), ("pitch", "pitch")):
        if name in changes:
            changed = replace(getattr(measured, part), **changes.pop(name))
            measured = replace(measured, **{part: changed})
    for part in ("edges", "disturbances"):
        if part in changes:
            changes[part] = replace(getattr(base, part), **changes[part])
    return replace(base, measurement=measured, **changes)


def judged_loop(loop: Loop = LOOP, worst_db: float = -5.0, **changes: Any) -> JudgedLoop:
    join = JoinAudibility(
        click_db=worst_db,
        step_db=-20.0,
        level_db=-20.0,
        wobble_db=-20.0,
        repetition_db=-20.0,
        pitch_db=-20.0,
        worst_db=worst_db,
    )
    base = JudgedLoop(loop=loop, join=join, fall_db=0.1, mistuned_cents=None)
    return replace(base, **changes)


def sample(file: str = "a.wav", known: SampleFacts | None = None, **changes: Any) -> PackSample:
    base = PackSample(file=file, facts=known or facts(), unreadable="", mapped=True, looped=False)
    return replace(base, **changes)


def zone(key: int = 60, cents: float = 0.0, **changes: Any) -> PackZone:
    """A zone on one key; "region" takes changes as a dict, "known" the facts of its sample."""
    known = changes.pop("known", None) or facts(key, cents)
    region = SfzRegion(
        **{
            "sample": f"n{key}.wav",
            "lokey": key,
            "hikey": key,
            "pitch_keycenter": key,
            "loop_mode": "loop_continuous",
            "loop_start_frame": LOOP.start_frame,
            "loop_end_frame": LOOP.end_frame,
            "line": key,
        }
        | changes.pop("region", {})
    )
    file = changes.pop("file", f"n{key}.wav")
    base = PackZone(
        instrument="x.sfz",
        region=region,
        file=file,
        sample=sample(file or "", known),
        root_key=key,
        target_cents=0.0,
        loop=judged_loop(),
        loop_from="opcodes",
        deviation=Deviation(cents=cents, error_cents=0.1, reason=""),
        hint=NameHint(key=key),
        mapped=True,
    )
    return replace(base, **changes)


def instrument(*zones: PackZone, **changes: Any) -> PackInstrument:
    base = PackInstrument(
        name="x.sfz",
        mapped=True,
        zones=zones or tuple(zone(key) for key in range(58, 64)),
        problems=(),
        unknown_opcodes=(),
        contradictions=(),
        tuned=True,
        offset_semitones=0,
        reference_hz=440.0,
        unreadable="",
    )
    return replace(base, **changes)


def with_problem(kind: str) -> PackInstrument:
    problem = SfzProblem(
        kind=kind,  # type: ignore[arg-type]
        message="this is odd",
        file="x.sfz",
        line=3,
        subject="odd",
    )
    return instrument(problems=(problem,))


def pack(*samples: PackSample, **changes: Any) -> Pack:
    base = Pack(
        name=".",
        samples=samples or (sample("a.wav", facts(60)), sample("b.wav", facts(61))),
        instruments=(instrument(),),
        unused=(),
        files=("a.wav", "b.wav", "x.sfz"),
        links_out=(),
        unnamable=(),
    )
    return replace(base, **changes)
