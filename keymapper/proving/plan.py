"""Which notes a proof plays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from keymapper.formats.sfz import SfzRegion

GRID_VELOCITIES = (32, 64, 100, 127)


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteToPlay:
    """One note to play: the turn is how many notes went before, for round robins."""

    key: int
    velocity: int
    turn: int = 0
    random_ratio: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HandOverToPlay:
    """A border between velocity layers: `velocity` is the last of the lower layer."""

    key: int
    velocity: int
    lowest: int
    highest: int
    """From the first velocity of the lower layer to the last of the upper."""


def attack_regions(regions: Sequence[SfzRegion], key: int) -> list[SfzRegion]:
    """Return the regions that sound when a key goes down."""
    return [
        region
        for region in regions
        if region.lokey <= key <= region.hikey and region.sounds_when_pressed
    ]


def _release_regions(regions: Sequence[SfzRegion], key: int) -> list[SfzRegion]:
    return [
        region for region in regions if region.lokey <= key <= region.hikey and region.is_release
    ]


def mapped_keys(regions: Sequence[SfzRegion]) -> range:
    """Return the keys from the lowest to the highest that starts anything."""
    started = [region for region in regions if not region.is_release and region.hikey >= 0]
    if not started:
        return range(0)
    return range(
        max(0, min(region.lokey for region in started)),
        min(127, max(region.hikey for region in started)) + 1,
    )


def gaps(regions: Sequence[SfzRegion]) -> tuple[tuple[int, int], ...]:
    """Return the stretches of keys between mapped ones that start nothing.

    One-shots lie where they lie: an instrument of nothing but one-shots has no gaps. A key that
    only turns others off is none.
    """
    if all(region.loop_mode == "one_shot" for region in regions):
        return ()
    found: list[tuple[int, int]] = []
    for key in mapped_keys(regions):
        if any(one.lokey <= key <= one.hikey and not one.is_release for one in regions):
            continue
        if found and found[-1][1] == key - 1:
            found[-1] = (found[-1][0], key)
        else:
            found.append((key, key))
    return tuple(found)


def all_notes(regions: Sequence[SfzRegion], key: int) -> list[NoteToPlay]:
    """Return the notes that try every velocity layer, round robin and chance of a key."""
    here = attack_regions(regions, key)
    if not here:
        return []
    released = [*here, *_release_regions(regions, key)]
    velocities = set(GRID_VELOCITIES)
    for low, high in sorted({(region.lovel, region.hivel) for region in released}):
        starts = any(region.lovel <= high <= region.hivel for region in here)
        if starts and not any(low <= velocity <= high for velocity in velocities):
            velocities.add(high)
    return [
        NoteToPlay(key=key, velocity=velocity, turn=turn, random_ratio=random_ratio)
        for velocity in sorted(velocities)
        for turn, random_ratio in _variants(released, velocity)
    ]


def short_notes(regions: Sequence[SfzRegion], key: int) -> list[NoteToPlay]:
    """Return one note for each zone whose lowest, root or highest key this is."""
    notes = []
    here = attack_regions(regions, key)
    for region in [*here, *(_release_regions(regions, key) if here else ())]:
        root = min(max(region.pitch_keycenter, region.lokey), region.hikey)
        if key in (region.lokey, root, region.hikey):
            notes.append(
                NoteToPlay(
                    key=key,
                    velocity=max(1, region.hivel),
                    turn=region.seq_position - 1,
                    random_ratio=(region.lorand + region.hirand) / 2.0,
                )
            )
    return list(dict.fromkeys(notes))


def _variants(regions: Sequence[SfzRegion], velocity: int) -> list[tuple[int, float]]:
    """Return (turn, random) pairs that reach every region at this velocity, and every gap."""
    here = [region for region in regions if region.lovel <= velocity <= region.hivel]
    turns = max((region.seq_length for region in here), default=1)
    borders = {0.0, 1.0} | {edge for region in here for edge in (region.lorand, region.hirand)}
    inside = sorted(edge for edge in borders if 0.0 <= edge <= 1.0)
    middles = [(low + high) / 2.0 for low, high in pairwise(inside)]
    return [(turn, chance) for turn in range(turns) for chance in middles]


def hand_overs(regions: Sequence[SfzRegion], key: int) -> list[HandOverToPlay]:
    """Return the velocities of a key after which other regions play, with their layers' ends."""
    playing = [
        frozenset(
            number
            for number, region in enumerate(attack_regions(regions, key))
            if region.lovel <= velocity <= region.hivel
        )
        for velocity in range(128)
    ]
    changes = [v for v in range(1, 127) if playing[v] != playing[v + 1]]
    ends = [0, *changes, 127]
    return [
        HandOverToPlay(key=key, velocity=last, lowest=before + 1, highest=after)
        for before, last, after in zip(ends, changes, ends[2:], strict=False)
        if playing[last] and playing[last + 1]
    ]


def choke_pairs(regions: Sequence[SfzRegion]) -> list[tuple[int, int]]:
    """Return (key, choking key), one pair for each group that is turned off by another key."""
    pairs: dict[tuple[int, int], tuple[int, int]] = {}
    for victim in regions:
        if not victim.off_by or victim.is_release or victim.lokey < 0:
            continue
        for other in regions:
            if other.group == victim.off_by and not other.is_release:
                key = next((k for k in (other.lokey, other.hikey) if k != victim.lokey), None)
                if key is not None and key >= 0:
                    pairs.setdefault((victim.group, victim.lokey), (victim.lokey, key))
                    break
    return sorted(set(pairs.values()))
