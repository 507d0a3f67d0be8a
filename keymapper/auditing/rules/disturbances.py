"""Rules about what does not belong to the sound: DC, noise, hum, dropouts, clicks."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from statistics import median

from keymapper.auditing.parts import manner
from keymapper.auditing.rule import Hit, NotJudged, Outcome, rule
from keymapper.auditing.subject import PackInstrument, PackSample, PackZone
from keymapper.measuring.levels import amplitude_db

FAINT_NOISE_DB = -62.0
ABOVE_MOST_DB = 6.0
"""A set that moves by itself varies: the note must stand out from all but one around it."""


@rule(
    "level-dc",
    "warning",
    on="sample",
    limit=-50.0,
    unit="dBFS",
    title="The sample is not centred (DC)",
    why="Every start and every end of the note clicks, and headroom is lost.",
    fix="Take the offset of its silence off; a wave uneven by itself needs a high-pass at 5 Hz.",
)
def dc(sample: PackSample, limit: float) -> Iterator[Outcome]:
    """Judge the largest mean of a channel."""
    if sample.facts is None:
        return
    level = amplitude_db(abs(sample.facts.measurement.levels.dc_offset))
    if level > limit:
        yield Hit(measured=round(level, 1), message=f"lies {level:.1f} dBFS off its centre")


@rule(
    "level-noise",
    "warning",
    on="sample",
    limit=42.0,
    unit="dB",
    title="The noise floor is high",
    why="It is heard between notes and under soft ones, and it adds up in chords.",
    fix="Record it again with more gain at the source, or a shorter signal path.",
)
def noise(sample: PackSample, limit: float) -> Iterator[Outcome]:
    """Distance from the loudest 400 ms to what is there where nothing sounds."""
    facts = sample.facts
    if facts is None:
        return
    floor = facts.disturbances.noise_dbfs
    if floor is None:
        yield NotJudged(reason="it has no silence in which noise could be measured")
        return
    distance = facts.measurement.levels.body_dbfs - floor
    if distance < limit:
        yield Hit(
            measured=round(distance, 1),
            message=f"stands only {distance:.0f} dB over its noise ({floor:.0f} dBFS)",
        )


@rule(
    "level-noise-within",
    "warning",
    on="instrument",
    limit=12.0,
    unit="dB",
    title="A note is noisier than the rest of its set",
    why="One key hisses where its neighbours do not.",
    fix="Record it again.",
)
def noise_within(instrument: PackInstrument, limit: float) -> Iterator[Outcome]:
    """Noise between the partials, against the median of the notes near in key and played alike."""
    levels: dict[tuple[object, ...], list[tuple[PackZone, float]]] = defaultdict(list)
    for zone in sorted(instrument.zones, key=lambda zone: zone.root_key):
        if (
            zone.facts
            and zone.facts.disturbances.noise_between_db is not None
            and zone.region.sounds_when_pressed
            and zone.deviation.cents is not None
            and zone.facts.measurement.pitch.vibrato_hz is None
        ):
            noise_db = zone.facts.disturbances.noise_between_db
            levels[manner(zone.region)].append((zone, noise_db))
    for played_alike in levels.values():
        yield from _noisier(played_alike, limit)


def _noisier(levels: Sequence[tuple[PackZone, float]], limit: float) -> Iterator[Outcome]:
    for index, (zone, level) in enumerate(levels):
        below, above = levels[max(0, index - 4) : index], levels[index + 1 : index + 5]
        near = [*below, *above]
        if not below or not above or len(near) < 3:
            continue
        others = sorted(other for _, other in near)
        over = level - median(others)
        usual_db = max(others[-2], FAINT_NOISE_DB - ABOVE_MOST_DB)
        if over > limit and level > usual_db + ABOVE_MOST_DB:
            yield Hit(
                file=zone.file,
                zone=zone.label,
                measured=round(over, 1),
                message=f"carries {over:.0f} dB more noise than the notes around it",
            )


@rule(
    "level-hum",
    "warning",
    on="sample",
    limit=-56.0,
    unit="dB",
    title="Mains hum",
    why="It is transposed with every key, so that chords hum in chords.",
    fix="Find the ground loop and record it again, or filter the lines out of the recording.",
)
def hum(sample: PackSample, limit: float) -> Iterator[Outcome]:
    """Lines at multiples of 50 or 60 Hz that are no partials, against the loudest 400 ms."""
    if sample.facts is None:
        return
    found = sample.facts.disturbances
    if found.hum_hz is not None and found.hum_db > limit:
        yield Hit(
            measured=round(found.hum_db, 1),
            message=f"hums at {found.hum_hz:.0f} Hz, {found.hum_db:.0f} dB against the note",
        )


@rule(
    "level-dropout",
    "error",
    on="sample",
    limit=0.0,
    unit="dropouts",
    title="The sound drops out",
    why="Frames were lost while recording; every key played from this sample stutters.",
    fix="Record it again with a larger buffer.",
)
def dropout(sample: PackSample, limit: float) -> Iterator[Outcome]:
    """Judge runs of zeros that cut into the sound."""
    if sample.facts is None:
        return
    spans, rate = sample.facts.disturbances.dropouts, sample.facts.rate
    if len(spans) > limit:
        first = spans[0]
        milliseconds = 1000 * (first.end_frame - first.start_frame) / rate
        yield Hit(
            measured=len(spans),
            message=f"drops out {len(spans)} time(s), first at {first.start_frame / rate:.3f} s "
            f"for {milliseconds:.1f} ms",
        )


@rule(
    "level-click",
    "warning",
    on="sample",
    limit=12.0,
    unit="dB",
    title="A click inside the sound",
    why="It is heard at the same moment of every note, and again in every round of a loop.",
    fix="Record it again, or repair the frames in a wave editor.",
)
def click(sample: PackSample, limit: float) -> Iterator[Outcome]:
    """Judge the largest jump that the sound around it does not explain."""
    if sample.facts is None:
        return
    clicks = [one for one in sample.facts.disturbances.clicks if one.over_db > limit]
    if clicks:
        worst = clicks[0]
        yield Hit(
            measured=worst.over_db,
            message=f"clicks at {worst.frame / sample.facts.rate:.3f} s, {worst.over_db:.0f} dB "
            f"over what the sound does by itself ({len(clicks)} in all)",
        )
