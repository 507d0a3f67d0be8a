"""Which zones of an instrument belong together: articulations, layers, the sides of a split.

A part holds zones that are chosen and played alike and of which no two sound together. Where parts
sound together, or say that they are transposed, each is judged by itself: an octave or a detuning
that all its zones share is how the instrument is made.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from statistics import median

from keymapper.auditing.subject import PackZone
from keymapper.formats.sfz import SfzCrossfade, SfzRegion

SHARE_OF_SET = 0.6
LEAST_OF_SET = 3
LEAST_OF_TRANSPOSED = 2
STEADY_CENTS = 10.0
LEAST_DETUNE_CENTS = 2.0
_CHOOSING = re.compile(
    r"sw_(?:down|up|previous|vel|lolast|hilast)|(?:on_|start_|stop_)?(?:lo|hi)cc\d+"
    r"|(?:lo|hi)(?:bend|chanaft|polyaft|chan|prog|bpm|timer)"
)

_STRUCK = re.compile(r"(?:on|start)_(?:lo|hi)cc\d+")


def conditions(region: SfzRegion) -> tuple[object, ...]:
    """Return what starts a region beside key, velocity and turn: trigger, switches, controllers."""
    others = sorted(one for one in region.other_opcodes if _CHOOSING.fullmatch(one[0]))
    return (region.trigger, region.sw_last, region.controller_ranges, *others)


def is_struck_by_controller(region: SfzRegion) -> bool:
    """Tell whether a controller starts a region, such as the noise of a pedal, instead of a key."""
    return any(_STRUCK.fullmatch(name) for name, _ in region.other_opcodes)


def manner(region: SfzRegion) -> tuple[object, ...]:
    """Return what regions of one part have in common beside their conditions."""
    return (
        conditions(region),
        region.group,
        region.pan_percent,
        region.delay_seconds,
        region.transpose_semitones,
        tuple(fade.controller for fade in region.controller_crossfades),
    )


def sound_together(one: SfzRegion, two: SfzRegion) -> bool:
    """Tell whether one key can start both regions at once without a fade from one to the other."""
    return (
        one.lokey <= two.hikey
        and two.lokey <= one.hikey
        and one.lovel <= two.hivel
        and two.lovel <= one.hivel
        and one.lorand < two.hirand
        and two.lorand < one.hirand
        and (one.seq_position, one.seq_length) == (two.seq_position, two.seq_length)
        and conditions(one) == conditions(two)
        and not (fades(one) or fades(two))
    )


def fades(region: SfzRegion) -> bool:
    """Tell whether a region fades over velocities or keys."""
    return region.velocity_crossfade != SfzCrossfade() or region.key_crossfade != SfzCrossfade()


@dataclass(frozen=True, slots=True)
class _Lane:
    """Zones of which no two sound together, also by the keys they lie on."""

    zones: list[PackZone] = field(default_factory=list)
    on_key: dict[int, list[PackZone]] = field(default_factory=lambda: defaultdict(list))

    def add(self, zone: PackZone) -> None:
        self.zones.append(zone)
        for key in zone.keys:
            self.on_key[key].append(zone)

    def sounds_with(self, zone: PackZone) -> bool:
        return any(sound_together(zone.region, other.region) for other in self._near(zone))

    def is_layered_with(self, zone: PackZone) -> bool:
        """Tell whether a zone sounds together with one of these on more than its border."""
        return any(
            sound_together(zone.region, other.region)
            and _share_most(zone.keys, other.keys)
            and _share_most(zone.velocities, other.velocities)
            for other in self._near(zone)
        )

    def _near(self, zone: PackZone) -> Iterable[PackZone]:
        return {
            id(other): other for key in zone.keys for other in self.on_key.get(key, ())
        }.values()


def _share_most(one: range, two: range) -> bool:
    """Tell whether two ranges share half of the smaller one, or more."""
    shared = min(one.stop, two.stop) - max(one.start, two.start)
    return 2 * shared >= min(len(one), len(two))


def parts_of(zones: Sequence[PackZone]) -> list[int]:
    """Return the number of each zone's part, in the order in which parts begin."""
    alike: dict[object, list[_Lane]] = defaultdict(list)
    for zone in zones:
        lanes = alike[manner(zone.region)]
        free = next((lane for lane in lanes if not lane.sounds_with(zone)), None)
        if free is None:
            free = _Lane()
            lanes.append(free)
        free.add(zone)
    parts = [part for lanes in alike.values() for part in _without_strays(lanes)]
    keys: dict[int, object] = {}
    for number, (part, layered) in enumerate(zip(parts, _are_layered(parts), strict=True)):
        region = part.zones[0].region
        stands = number if layered or region.transpose_semitones else None
        keys |= {id(zone): (conditions(region), stands) for zone in part.zones}
    numbers: dict[object, int] = {}
    return [numbers.setdefault(keys[id(zone)], len(numbers)) for zone in zones]


def _without_strays(lanes: Sequence[_Lane]) -> list[_Lane]:
    """Return lanes, those that cover less than half of the keys of the first put into it.

    They are no layers: one zone only reaches into another.
    """
    first, *others = lanes
    kept = [first]
    for lane in others:
        if 2 * len(lane.on_key) >= len(first.on_key):
            kept.append(lane)
        else:
            for zone in lane.zones:
                first.add(zone)
    return kept


def _are_layered(parts: Sequence[_Lane]) -> list[bool]:
    """Tell of each part whether most of its zones sound together with zones of another.

    Half of the fewer keys, and of the fewer velocities, must be shared: zones that each reach over
    a border are no layers.
    """
    together = [
        sum(
            any(other.is_layered_with(zone) for other in parts if other is not part)
            for zone in part.zones
        )
        for part in parts
    ]
    return [2 * count > len(part.zones) for count, part in zip(together, parts, strict=True)]


def placed_in_parts(zones: Sequence[PackZone]) -> tuple[tuple[PackZone, ...], int]:
    """Return zones that know their part and how far it lies apart, and the semitones of the set.

    zones : with their deviations.
    """
    numbers = parts_of(zones)
    parts: dict[int, _Lane] = defaultdict(_Lane)
    for number, zone in zip(numbers, zones, strict=True):
        parts[number].add(zone)
    plain = [zone for zone in zones if not zone.region.transpose_semitones]
    semitones = offset_semitones(_cents(plain or zones))
    apart = _apart_cents(parts, semitones)
    placed = tuple(
        replace(zone, part=number, part_cents=apart.get(number, 0.0))
        for number, zone in zip(numbers, zones, strict=True)
    )
    return placed, semitones


def _apart_cents(parts: Mapping[int, _Lane], semitones: int) -> dict[int, float]:
    """Return how far parts that are judged by themselves lie from the rest of the set."""
    layered = dict(zip(parts, _are_layered([*parts.values()]), strict=True))
    steps: dict[int, int] = {}
    for number, part in parts.items():
        if layered[number] or part.zones[0].region.transpose_semitones:
            step = _part_semitones(part.zones, layered=layered[number])
            if step is not None:
                steps[number] = step
    cents = {number: _cents(parts[number].zones) for number in steps if layered[number]}
    rests = {
        number: median(one) - 100 * steps[number]
        for number, one in cents.items()
        if _is_steady(one)
    }
    common = _common(list(rests.values()))
    return {
        number: 100.0 * (step - semitones) + _detuning(rests.get(number, common) - common)
        for number, step in steps.items()
    }


def _part_semitones(zones: Sequence[PackZone], *, layered: bool) -> int | None:
    """Return the semitones a part shares; None where it is too small or does not agree.

    A small layer is believed where it lies as far off as it says it is transposed.
    """
    cents = _cents(zones)
    transposed = round(zones[0].region.transpose_semitones)
    if len(cents) >= LEAST_OF_SET:
        return shared_semitones(cents)
    is_said = cents and transposed and abs(median(cents) - 100 * transposed) < 50
    return transposed if is_said and (layered or len(cents) >= LEAST_OF_TRANSPOSED) else None


def _is_steady(cents: Sequence[float]) -> bool:
    middle = median(cents)
    near = sum(abs(one - middle) <= STEADY_CENTS for one in cents)
    return len(cents) >= LEAST_OF_TRANSPOSED and near >= SHARE_OF_SET * len(cents)


def _common(rests: Sequence[float]) -> float:
    """Return what parts that sound together are off in common: as little as explains them."""
    if not rests:
        return 0.0
    return min(((min(rests) + max(rests)) / 2, *rests), key=abs)


def _detuning(cents: float) -> float:
    return cents if abs(cents) >= LEAST_DETUNE_CENTS else 0.0


def _cents(zones: Sequence[PackZone]) -> list[float]:
    return [zone.deviation.cents for zone in zones if zone.deviation.cents is not None]


def offset_semitones(cents: Sequence[float]) -> int:
    """Return whole semitones that most notes of a set share; 0 where they do not agree."""
    return (shared_semitones(cents) or 0) if len(cents) >= LEAST_OF_SET else 0


def shared_semitones(cents: Sequence[float]) -> int | None:
    """Return whole semitones that most notes share, None where they do not agree.

    A set that is out of tune by half a semitone is not taken for a transposed one: what is
    counted is the distance from the median of all, rounded once.
    """
    shift, count = Counter(round(one / 100) for one in cents).most_common(1)[0]
    near = sum(abs(one - 100 * shift) < 75 for one in cents)
    agrees = max(count, near) >= SHARE_OF_SET * len(cents)
    return shift if agrees and abs(median(cents) - 100 * shift) < 75 else None
