"""Rules about level, noise and faults inside the sound."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator
from statistics import median

from keymapper.auditing.levels import played_db, velocity_gain_db
from keymapper.auditing.rule import Hit, Outcome, rule
from keymapper.auditing.subject import Pack, PackInstrument, PackSample, PackZone
from keymapper.formats.sfz import key_gain_db
from keymapper.measuring.levels import amplitude_db

EDGE_OF_KEYBOARD = 1.5
"""The lowest and highest notes have one neighbour only: their limit is wider by this."""
FALL_DB = 2.0


@rule(
    "level-clipped",
    "error",
    on="sample",
    limit=0.0,
    unit="frames",
    title="The sample is clipped",
    why="Runs of frames at full scale were cut off while recording; they crackle.",
    fix="Record it again with less gain; scaling the file cannot bring the peaks back.",
)
def clipped(sample: PackSample, limit: float) -> Iterator[Outcome]:
    """Frames in runs of three or more at full scale."""
    if sample.facts is None:
        return
    count = sample.facts.measurement.levels.clipped_frames
    if count > limit:
        yield Hit(measured=count, message=f"is clipped in {count} frames")


@rule(
    "level-flat-tops",
    "warning",
    on="sample",
    limit=0.0,
    unit="frames",
    title="The peaks of the sample are cut flat",
    why="It was clipped before it was turned down; it crackles as it would at full scale.",
    fix="Record it again with less gain; let it stand where the sound itself is distorted so.",
)
def flat_tops(sample: PackSample, limit: float) -> Iterator[Outcome]:
    """Frames in runs of three or more at the highest or lowest value, below full scale."""
    if sample.facts is None:
        return
    levels = sample.facts.measurement.levels
    if levels.flat_top_frames > limit:
        message = f"is cut flat at {levels.peak_dbfs:.1f} dBFS in {levels.flat_top_frames} frames"
        yield Hit(measured=levels.flat_top_frames, message=message)


@rule(
    "level-near-silence",
    "warning",
    on="sample",
    limit=-50.0,
    unit="dBFS",
    title="The sample is nearly silent",
    why="Raised to the level of the others, its noise comes up with it.",
    fix="Record it again with more gain, or take it out.",
)
def near_silence(sample: PackSample, limit: float) -> Iterator[Outcome]:
    """Peak below the limit."""
    if sample.facts is None:
        return
    peak = sample.facts.measurement.levels.peak_dbfs
    if peak < limit:
        yield Hit(measured=round(peak, 1), message=f"peaks at {peak:.1f} dBFS only")


@rule(
    "level-headroom",
    "warning",
    on="sample",
    limit=-0.3,
    unit="dBFS",
    title="The sample leaves no headroom",
    why="Between the frames the sound goes higher; converters and the first equaliser clip it.",
    fix="Lower the whole set by 1 dB or more, all samples alike.",
)
def headroom(sample: PackSample, limit: float) -> Iterator[Outcome]:
    """Peak over the limit without being clipped."""
    if sample.facts is None:
        return
    levels = sample.facts.measurement.levels
    if levels.peak_dbfs > limit and not levels.clipped_frames:
        yield Hit(
            measured=round(levels.peak_dbfs, 2),
            message=f"peaks at {levels.peak_dbfs:+.2f} dBFS",
        )


@rule(
    "level-over-full-scale",
    "warning",
    on="zone",
    limit=0.0,
    unit="dBFS",
    title="A zone plays over full scale by itself",
    why="One note alone clips; a chord more so.",
    fix="Lower `volume` for the whole instrument.",
)
def over_full_scale(zone: PackZone, limit: float) -> Iterator[Outcome]:
    """Peak of the sample and volume of the zone at full velocity."""
    if zone.facts is None or not zone.mapped:
        return
    gain = zone.region.volume_db + amplitude_db(zone.region.amplitude_percent / 100)
    gain += velocity_gain_db(zone.region, zone.region.hivel)
    gain += max(key_gain_db(zone.region, key) for key in (zone.region.lokey, zone.region.hikey))
    peak = zone.facts.measurement.levels.peak_dbfs + gain
    if peak > limit and gain > 0:
        yield Hit(measured=round(peak, 1), message=f"peaks at {peak:+.1f} dBFS as it is played")


@rule(
    "level-step-keys",
    "warning",
    on="instrument",
    limit=6.0,
    unit="dB",
    title="A note is louder or softer than its neighbours",
    why="A scale over this key is heard as uneven.",
    fix="Correct its `volume` by the difference.",
)
def step_keys(instrument: PackInstrument, limit: float) -> Iterator[Outcome]:
    """Level as played, against the line through the neighbours of the same layer and turn."""
    if not instrument.tuned:
        return
    layers: dict[object, list[PackZone]] = defaultdict(list)
    for zone in instrument.zones:
        if zone.facts:
            layers[zone.layer].append(zone)
    for members in layers.values():
        yield from _uneven(_one_a_key(members), limit)


def _one_a_key(members: list[PackZone]) -> list[PackZone]:
    found: dict[int, PackZone] = {}
    for zone in sorted(members, key=lambda zone: (zone.root_key, zone.file or "")):
        found.setdefault(zone.root_key, zone)
    return list(found.values())


def _uneven(members: list[PackZone], limit: float) -> Iterator[Outcome]:
    levels = [played_db(zone) for zone in members]
    steps = [_off_line(members, levels, index) for index in range(len(members))]
    ends = (0, len(members) - 1)
    limits = [limit * (EDGE_OF_KEYBOARD if at in ends else 1.0) for at in range(len(members))]
    shares = [abs(step) / allowed for step, allowed in zip(steps, limits, strict=True)]
    for index, (zone, allowed) in enumerate(zip(members, limits, strict=True)):
        around = [shares[at] for at in (index - 1, index + 1) if 0 <= at < len(members)]
        if abs(steps[index]) > allowed and shares[index] >= max(around, default=0.0):
            yield Hit(
                file=zone.file,
                zone=zone.label,
                measured=round(steps[index], 1),
                message=f"plays {abs(steps[index]):.1f} dB "
                f"{'louder' if steps[index] > 0 else 'softer'} than its neighbours",
                fix=f"Change its volume by {-steps[index]:+.1f} dB.",
            )


def _off_line(members: list[PackZone], levels: list[float], index: int) -> float:
    """How far a note lies over the line through its neighbours, in dB."""
    if len(members) < 2:
        return 0.0
    if index == 0:
        return levels[0] - levels[1]
    if index == len(members) - 1:
        return levels[-1] - levels[-2]
    low, here, high = (members[at].root_key for at in (index - 1, index, index + 1))
    share = (here - low) / (high - low)
    return levels[index] - ((1 - share) * levels[index - 1] + share * levels[index + 1])


@rule(
    "level-step-layers",
    "warning",
    on="instrument",
    limit=12.0,
    unit="dB",
    title="The level jumps between two velocity layers",
    why="One step of velocity makes a leap of loudness that no playing can smooth.",
    fix="Correct `volume` or the velocity curve of the layers so that they meet.",
)
def step_layers(instrument: PackInstrument, limit: float) -> Iterator[Outcome]:
    """Rise of level from a layer's highest velocity to the next layer's lowest."""
    steps = list(_layer_steps(instrument))
    usual = median(step for _, _, step in steps) if len(steps) >= 4 else None
    for lower, upper, step in steps:
        unlike = usual is not None and abs(step - usual) > 0.5 * limit
        if step > limit or (unlike and step > 0.25 * limit):
            yield Hit(
                file=upper.file,
                zone=upper.label,
                measured=round(step, 1),
                message=f"jumps by {step:+.1f} dB at velocity {upper.region.lovel}, "
                f"above {lower.file}",
            )


@rule(
    "level-layer-order",
    "error",
    on="instrument",
    limit=FALL_DB,
    unit="dB",
    title="Velocity layers in the wrong order",
    why="A key gets softer when it is struck harder.",
    fix="Exchange the velocity ranges (lovel, hivel) of the two layers.",
)
def layer_order(instrument: PackInstrument, limit: float) -> Iterator[Outcome]:
    """Fall of level from a layer's highest velocity to the next layer's lowest."""
    for lower, upper, step in _layer_steps(instrument):
        if step < -limit:
            yield Hit(
                file=upper.file,
                zone=upper.label,
                measured=round(-step, 1),
                message=f"is {-step:.1f} dB softer at velocity {upper.region.lovel} than "
                f"{lower.file} at {lower.region.hivel}",
            )


def _layer_steps(instrument: PackInstrument) -> Iterator[tuple[PackZone, PackZone, float]]:
    """Yield neighbouring layers of a key and turn, and the rise of level at their border."""
    if instrument.mapped:
        groups: dict[object, list[PackZone]] = defaultdict(list)
        for zone in instrument.zones:
            if zone.facts and zone.region.sounds_when_pressed:
                groups[zone.part, zone.root_key, zone.region.seq_position].append(zone)
        for members in groups.values():
            for lower in members:
                for upper in members:
                    if upper.region.lovel == lower.region.hivel + 1 and _share_keys(lower, upper):
                        soft = played_db(lower, lower.region.hivel)
                        loud = played_db(upper, upper.region.lovel)
                        yield lower, upper, loud - soft


def _share_keys(one: PackZone, other: PackZone) -> bool:
    return one.region.lokey <= other.region.hikey and other.region.lokey <= one.region.hikey


@rule(
    "level-named-velocity",
    "warning",
    on="instrument",
    title="The velocity in a name contradicts the level",
    why="Whoever maps it by its name gets a layer in the wrong place.",
    fix="Rename the file, or exchange it with the layer it was mistaken for.",
)
def named_velocity(instrument: PackInstrument, _limit: float) -> Iterator[Outcome]:
    """Files clearly softer or louder than the velocity in their name has them in their key."""
    files = sorted({zone.file for zone in instrument.zones if zone.file})
    for contradiction in instrument.contradictions:
        if contradiction.kind == "velocity" and contradiction.is_certain:
            yield Hit(
                file=files[contradiction.index],
                measured=round(contradiction.measured, 1),
                limit=f"velocity {contradiction.named}",
                message=contradiction.reason,
            )


@rule(
    "level-set-uneven",
    "note",
    on="pack",
    limit=12.0,
    unit="dB",
    title="Instruments of one pack differ in level",
    why="Changing the patch changes the loudness of the room.",
    fix="Bring the instruments to a common level with `volume`.",
)
def set_uneven(pack: Pack, limit: float) -> Iterator[Outcome]:
    """Median level of each instrument, as played at full velocity."""
    middles = {}
    for instrument in pack.instruments:
        levels = [played_db(zone, 127) for zone in instrument.zones if zone.facts]
        if levels and instrument.mapped:
            middles[instrument.name] = median(levels)
    if len(middles) < 2:
        return
    soft, loud = min(middles, key=middles.__getitem__), max(middles, key=middles.__getitem__)
    step = middles[loud] - middles[soft]
    if step > limit and math.isfinite(step):
        yield Hit(
            file=soft,
            measured=round(step, 1),
            message=f"plays {step:.0f} dB softer than {loud}",
        )
