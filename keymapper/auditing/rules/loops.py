"""Rules about loops."""

from __future__ import annotations

from collections.abc import Iterator

from keymapper.auditing.rule import Hit, NotJudged, Outcome, rule
from keymapper.auditing.subject import LOOPING, PackInstrument, PackSample, PackZone
from keymapper.formats.sfz.values import leading_number
from keymapper.model.loop import Loop


def _place(loop: Loop) -> str:
    return f"frames {loop.start_frame} to {loop.end_frame - 1}"


@rule(
    "loop-outside-file",
    "error",
    on="zone",
    limit=0.0,
    unit="frames",
    title="The loop lies outside the file",
    why="Players clamp it, drop it, or play a gap of silence.",
    fix="Set loop_start and loop_end to frames the file has; loop_end is the last one played.",
)
def outside_file(zone: PackZone, _limit: float) -> Iterator[Outcome]:
    """Judge the end beyond the last frame, or not after the start."""
    if zone.loop is None or zone.facts is None:
        return
    loop, frames = zone.loop.loop, zone.facts.frames
    if loop.end_frame <= loop.start_frame:
        yield Hit(
            measured=loop.length_frames,
            message=f"loops over {_place(loop)}, which is nothing",
        )
    elif loop.end_frame > frames:
        yield Hit(
            measured=loop.end_frame - frames,
            limit=0.0,
            message=f"loops over {_place(loop)}, but has only {frames} frames",
        )


@rule(
    "loop-on-frame-0",
    "warning",
    on="zone",
    limit=1.0,
    unit="frames",
    title="The loop starts on frame 0",
    why="The attack is repeated, and some players take a start of 0 for no loop.",
    fix="Start the loop in the sustain, a millisecond or more after the onset.",
)
def on_frame_0(zone: PackZone, limit: float) -> Iterator[Outcome]:
    """Where the first frame of the loop is below the limit; the cycle of a wave is all loop."""
    if zone.loop is not None and not zone.is_wave and zone.loop.loop.start_frame < limit:
        yield Hit(
            measured=zone.loop.loop.start_frame,
            message=f"loops from frame {zone.loop.loop.start_frame}",
        )


@rule(
    "loop-without-points",
    "warning",
    on="zone",
    title="A loop is asked for and none is given",
    why="Some players repeat the whole file, others play it once.",
    fix="Give loop_start and loop_end, or set loop_mode=no_loop.",
)
def without_points(zone: PackZone, _limit: float) -> Iterator[Outcome]:
    """Judge a looping mode with points neither in the zone nor in the file."""
    if zone.loop_from == "whole file":
        yield Hit(message=f"has loop_mode={zone.region.loop_mode}, but no loop points anywhere")


@rule(
    "loop-too-short",
    "warning",
    on="zone",
    limit=0.01,
    unit="seconds",
    title="The loop is too short",
    why="What comes round so fast stands still: the sound freezes into a buzz.",
    fix="Take a longer part of the sustain.",
)
def too_short(zone: PackZone, limit: float) -> Iterator[Outcome]:
    """Length of the loop; 4 periods are enough, however short they are, or the cycle of a wave."""
    if zone.loop is None or zone.facts is None or zone.loop.join is None or zone.is_wave:
        return
    seconds = zone.loop.loop.length_frames / zone.facts.rate
    f0_hz = zone.facts.measurement.pitch.f0_hz
    enough = limit if f0_hz is None or zone.deviation.cents is None else min(limit, 4 / f0_hz)
    if seconds < enough:
        yield Hit(
            measured=round(seconds, 5),
            limit=enough,
            message=f"loops over {1000 * seconds:.1f} ms only",
        )


@rule(
    "loop-audible",
    "warning",
    on="zone",
    limit=4.0,
    unit="dB",
    title="The loop is heard",
    why="A click, a step or a wobble comes round with every pass.",
    fix="Move the loop to where wave and movement match, with a crossfade in the audio.",
)
def audible(zone: PackZone, limit: float) -> Iterator[Outcome]:
    """Judge the worst cue of the join over its threshold, in a player that crossfades nothing."""
    if zone.loop is None or zone.loop.join is None:
        return
    if zone.is_wave:
        yield NotJudged(reason="it is the cycle of a wave, which has no join of its own")
        return
    join = zone.loop.join
    cues = {
        "clicks": join.click_db,
        "steps in colour": join.step_db,
        "steps in level": join.level_db,
        "wobbles": join.wobble_db,
        "is heard coming round": join.repetition_db,
        "steps in pitch": join.pitch_db,
    }
    if join.worst_db > limit:
        worst = max(cues, key=lambda cue: -99.0 if (over := cues[cue]) is None else over)
        faded = zone.region.loop_crossfade_seconds > 0
        yield Hit(
            measured=join.worst_db,
            message=f"its loop {worst}, {join.worst_db:.0f} dB over what is heard"
            + (" where loop_crossfade is not honoured" if faded else ""),
        )


@rule(
    "loop-mistuned",
    "warning",
    on="zone",
    limit=3.0,
    unit="cents",
    title="The length of the loop mistunes the note",
    why="A short loop that is no whole number of periods plays another pitch than the attack.",
    fix="Make the loop a whole number of periods long.",
)
def mistuned(zone: PackZone, limit: float) -> Iterator[Outcome]:
    """Judge the pitch that the nearest number of whole periods gives, for loops under 0.3 s."""
    if zone.loop is None or zone.loop.mistuned_cents is None:
        return
    cents = zone.loop.mistuned_cents
    if abs(cents) > limit:
        yield Hit(measured=round(cents, 2), message=f"its loop plays {cents:+.1f} cents off")


@rule(
    "loop-embedded-disagrees",
    "warning",
    on="zone",
    limit=0.0,
    unit="frames",
    title="The loops in the zone and in the file disagree",
    why="Which one is heard depends on the player.",
    fix="Write the same points to both, or let --write-fixes do it.",
)
def embedded_disagrees(zone: PackZone, limit: float) -> Iterator[Outcome]:
    """Judge the larger of the differences at start and end, where both give points."""
    if zone.facts is None or zone.loop is None or zone.loop_from != "opcodes":
        return
    embedded, loop = zone.facts.embedded, zone.loop.loop
    named = embedded.loop if embedded else None
    if named is None:
        return
    apart = max(
        abs(named.start_frame - loop.start_frame),
        abs(named.end_frame - loop.end_frame),
    )
    if apart > limit:
        yield Hit(
            measured=apart,
            message=f"loops over {_place(loop)}, its file says {_place(named)}",
        )


@rule(
    "loop-embedded-kind",
    "warning",
    on="sample",
    title="The loop written in the file is no plain one",
    why="Most samplers play it forward and for ever; some do as it says, or drop it.",
    fix="Write one forward loop that goes on for ever, with what turns back made into the audio.",
)
def embedded_kind(sample: PackSample, _limit: float) -> Iterator[Outcome]:
    """Judge loops of a `smpl` chunk that alternate, run backward, end, or are missing."""
    if sample.facts is not None:
        for remark in sample.facts.texts.loop_remarks:
            yield Hit(message=remark)


@rule(
    "loop-counted",
    "warning",
    on="zone",
    limit=0.0,
    unit="rounds",
    title="The loop of a zone ends after some rounds",
    why="A held note stops in one player and goes on for ever in another.",
    fix="Take loop_count out, or write the rounds into the audio and set loop_mode=no_loop.",
)
def counted(zone: PackZone, limit: float) -> Iterator[Outcome]:
    """Judge `loop_count` of what is looped; 0 is for ever."""
    rounds, _ = leading_number(dict(zone.region.other_opcodes).get("loop_count", ""))
    if zone.loop is not None and rounds is not None and rounds > limit:
        yield Hit(measured=rounds, message=f"loops {rounds:g} times only")


@rule(
    "loop-skipped",
    "warning",
    on="zone",
    limit=0.0,
    unit="frames",
    title="A zone starts behind its loop",
    why="Some players never loop it, others jump or fall silent.",
    fix="Let `offset` lie before loop_end, or take the loop out.",
)
def skipped(zone: PackZone, limit: float) -> Iterator[Outcome]:
    """Judge how far `offset` lies behind the last frame of the loop."""
    if zone.loop is None or zone.loop.join is None:
        return
    behind = zone.region.offset_frames - (zone.loop.loop.end_frame - 1)
    if behind > limit:
        yield Hit(
            measured=behind,
            message=f"loops over {_place(zone.loop.loop)}, but starts at frame "
            f"{zone.region.offset_frames}",
        )


@rule(
    "loop-missing",
    "warning",
    on="instrument",
    title="A sustaining zone has no loop",
    why="A held key falls silent when the sample ends.",
    fix="Give it a loop, or let keymapper build one.",
)
def missing(instrument: PackInstrument, _limit: float) -> Iterator[Outcome]:
    """Sounds that hold, of instruments; of recordings only where the others are looped.

    Among sounds that die away without a loop, what falls more slowly is no pad.
    """
    zones = [zone for zone in instrument.zones if zone.facts and zone.region.sounds_when_pressed]
    held = [zone for zone in zones if _holds(zone)]
    without = [zone for zone in held if zone.loop is None]
    if not instrument.mapped and 2 * len(without) >= len(held):
        return
    dying = sum(zone.loop is None and not _holds(zone) for zone in zones)
    for zone in without:
        if 2 * dying > len(zones):
            reason = "most of its set dies away without a loop"
            yield NotJudged(file=zone.file, zone=zone.label, reason=reason)
        elif zone.region.loop_mode == "one_shot":
            yield NotJudged(file=zone.file, zone=zone.label, reason="it is played as a one-shot")
        elif zone.region.pitch_keytrack_cents == 0:
            yield NotJudged(file=zone.file, zone=zone.label, reason="every key plays it alike")
        else:
            yield Hit(file=zone.file, zone=zone.label, message="sustains, but its zone has no loop")


@rule(
    "loop-on-release",
    "error",
    on="zone",
    title="A release sample loops for ever",
    why="The key is up already: nothing ends the voice, and every note adds one.",
    fix="Set loop_mode=one_shot in its zone, or let --write-fixes do it.",
)
def on_release(zone: PackZone, _limit: float) -> Iterator[Outcome]:
    """Judge a looping mode of what a key starts when it is let go, unless it fades to nothing."""
    region = zone.region
    endless = zone.loop is not None and region.envelope.sustain_percent > 0
    if zone.mapped and region.is_release and endless:
        yield Hit(message=f"is triggered by release and has loop_mode={region.loop_mode}")


def _holds(zone: PackZone) -> bool:
    return zone.facts is not None and zone.facts.measurement.course.sustains


@rule(
    "loop-on-decay",
    "warning",
    on="zone",
    limit=2.0,
    unit="dB",
    title="A decaying sound is looped",
    why="The loop jumps back to a louder place again and again, and the note never ends.",
    fix="Set loop_mode=no_loop, or take the decay out of the audio and give it to ampeg_decay.",
)
def on_decay(zone: PackZone, limit: float) -> Iterator[Outcome]:
    """Fall of level within the loop, of sounds that decay all along."""
    if zone.loop is None or zone.loop.join is None or zone.facts is None:
        return
    if zone.region.loop_mode in LOOPING or zone.region.loop_mode is None:
        fall = zone.loop.fall_db
        if not _holds(zone) and fall > limit:
            yield Hit(measured=round(fall, 1), message=f"decays by {fall:.1f} dB within its loop")
