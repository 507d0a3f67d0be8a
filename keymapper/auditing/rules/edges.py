"""Rules about how a sample begins and ends."""

from __future__ import annotations

from collections.abc import Iterator
from statistics import median

from keymapper.auditing.rule import Hit, Outcome, rule
from keymapper.auditing.subject import Pack, PackSample
from keymapper.model.sample_facts import SampleFacts
from keymapper.model.sound import SILENCE_DBFS

RECORDING_SECONDS = 0.15
"""A recording that waits to be cut may start as late as this."""
FAINT_PEAK_DBFS = -50.0
RISE_SHARE = 0.3
"""Of the time a sound takes to rise: a slow one begins too softly to be seen, not late."""
FADED_SECONDS = 0.001
"""A zone that fades in for as long does not click."""
GROWING_DB = 1.5
"""A sound whose end is louder than its loudest 400 ms by as much is meant so: it is reversed."""


@rule(
    "edge-late-start",
    "warning",
    on="pack",
    limit=0.012,
    unit="seconds",
    title="The sound starts late in its file",
    why="The key answers late; a fast passage falls behind the beat.",
    fix="Cut the silence before the sound, but for a millisecond.",
)
def late_start(pack: Pack, limit: float) -> Iterator[Outcome]:
    """Silence before the onset, less the zone's `offset`, and more than a slow rise explains.

    A sound that grows to its end may start from nothing. Recordings that no instrument plays yet
    are cut when it is built: they are late where they start 0.15 s late, or that much later than
    the others.
    """
    unmapped = [
        sample.facts.edges.lead_seconds
        for sample in pack.samples
        if sample.facts and not sample.mapped
    ]
    usual = median(unmapped) if unmapped else 0.0
    offsets = {zone.file: zone.region.offset_frames for zone in pack.zones() if zone.mapped}
    for sample in pack.samples:
        if sample.facts is None or sample.facts.edges.tail_db > GROWING_DB:
            continue
        cut_seconds = offsets.get(sample.file, 0) / sample.facts.rate
        seconds = sample.facts.edges.lead_seconds - cut_seconds
        allowed = limit if sample.mapped else max(RECORDING_SECONDS, 2 * usual)
        if seconds - RISE_SHARE * sample.facts.edges.rise_seconds > allowed:
            yield Hit(
                file=sample.file,
                measured=round(seconds, 4),
                limit=allowed,
                message=f"starts {1000 * seconds:.0f} ms after the beginning of the file",
            )


@rule(
    "edge-click-at-head",
    "warning",
    on="pack",
    limit=-34.0,
    unit="dB",
    title="The sample begins with a click",
    why="The first frame jumps from silence into the middle of a wave.",
    fix="Start at the onset, and fade the first millisecond in.",
)
def click_at_head(pack: Pack, limit: float) -> Iterator[Outcome]:
    """Judge the first frame played against the peak: of each sample, and behind each `offset`."""
    mapped = [zone for zone in pack.zones() if zone.mapped]
    later = {zone.file for zone in mapped if zone.region.offset_frames > 0}
    from_first_frame = {zone.file for zone in mapped if zone.region.offset_frames <= 0}
    for sample in pack.samples:
        if sample.file in from_first_frame or sample.file not in later:
            step = _step_db(sample.facts, 0)
            if step > limit:
                message = f"begins with a jump, {step:.0f} dB of its peak"
                yield Hit(file=sample.file, measured=round(step, 1), message=message)
    for zone in mapped:
        offset, attack_seconds = zone.region.offset_frames, zone.region.envelope.attack_seconds
        if offset <= 0 or zone.region.reverse or attack_seconds >= FADED_SECONDS:
            continue
        step = _step_db(zone.facts, offset)
        if step > limit:
            yield Hit(
                file=zone.file,
                zone=zone.label,
                measured=round(step, 1),
                message=f"begins at frame {offset} with a jump, {step:.0f} dB of its peak",
                fix="Move `offset` to where the sound is silent, or set ampeg_attack=0.002.",
            )


def _step_db(facts: SampleFacts | None, frame: int) -> float:
    """Return the jump from silence to a frame; -200 where that is not known, or faint."""
    if facts is None or facts.measurement.levels.peak_dbfs < FAINT_PEAK_DBFS:
        return SILENCE_DBFS
    steps = {0: facts.edges.first_step_db} | {one.frame: one.step_db for one in facts.starts}
    return steps.get(frame, SILENCE_DBFS)


@rule(
    "edge-click-at-tail",
    "warning",
    on="sample",
    limit=-34.0,
    unit="dB",
    title="The sample ends with a click",
    why="The last frame jumps back to silence, at the end of every note.",
    fix="Fade the last 50 ms out.",
)
def click_at_tail(sample: PackSample, limit: float) -> Iterator[Outcome]:
    """Judge the last frame against the peak; not where a loop keeps the tail from being reached."""
    if _ends_unheard(sample) or sample.facts is None:
        return
    step = sample.facts.edges.last_step_db
    if step > limit:
        yield Hit(measured=round(step, 1), message=f"ends with a jump, {step:.0f} dB of its peak")


@rule(
    "edge-tail-cut",
    "warning",
    on="sample",
    limit=-20.0,
    unit="dB",
    title="The tail is cut off",
    why="The note stops instead of dying away.",
    fix="Record it again and let it ring, or fade the end out.",
)
def tail_cut(sample: PackSample, limit: float) -> Iterator[Outcome]:
    """Level of the last 20 ms against the loudest 400 ms, unless it fades out or grows to there."""
    if _ends_unheard(sample) or sample.facts is None:
        return
    edges = sample.facts.edges
    if limit < edges.tail_db <= GROWING_DB and not edges.fades_out:
        yield Hit(
            measured=round(edges.tail_db, 1),
            message=f"is cut off while it still sounds ({edges.tail_db:.0f} dB of its level)",
        )


def _ends_unheard(sample: PackSample) -> bool:
    faint = sample.facts and sample.facts.measurement.levels.peak_dbfs < FAINT_PEAK_DBFS
    return sample.looped or bool(faint)


@rule(
    "edge-long-silence",
    "warning",
    on="sample",
    limit=1.5,
    unit="seconds",
    title="Long silence in the file",
    why="It takes memory and keeps voices busy that nobody hears.",
    fix="Cut it off; cut a file that holds several sounds into one a sound.",
)
def long_silence(sample: PackSample, limit: float) -> Iterator[Outcome]:
    """After the end of the sound, or between two sounds."""
    if sample.facts is None:
        return
    edges = sample.facts.edges
    if edges.quiet_tail_seconds > limit:
        yield Hit(
            measured=round(edges.quiet_tail_seconds, 2),
            message=f"ends with {edges.quiet_tail_seconds:.1f} s of silence",
        )
    if edges.longest_pause_seconds > limit:
        yield Hit(
            measured=round(edges.longest_pause_seconds, 2),
            message=f"holds {edges.longest_pause_seconds:.1f} s of silence between two sounds",
        )
