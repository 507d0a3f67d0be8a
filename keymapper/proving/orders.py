"""What a proof has to play, in pieces that processes can share: articulation by articulation."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from keymapper.formats.sfz import SfzRegion
from keymapper.proving.articulations import (
    Articulation,
    articulations,
    is_switch,
    sounds_in,
    started_switch,
)
from keymapper.proving.hearing import HearingSettings, KeyOrder
from keymapper.proving.judging import KeyGap
from keymapper.proving.plan import (
    all_notes,
    attack_regions,
    choke_pairs,
    gaps,
    hand_overs,
    mapped_keys,
    short_notes,
)
from keymapper.proving.seams import ChokeOrder

_KEYS_AN_ORDER = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Programme:
    """One articulation: the regions that sound in it, and the keys to play."""

    articulation: Articulation
    regions: tuple[SfzRegion, ...]
    keys: tuple[int, ...]
    """Those that start something, and something new in every articulation but the first."""


def programmes(regions: Sequence[SfzRegion], hearing: HearingSettings) -> tuple[Programme, ...]:
    """Return what is played in which articulation, so that all that can sound does."""
    start = replace(hearing.player, last_switch=started_switch(regions, hearing.player))
    heard: set[int] = set()
    found = []
    for articulation in articulations(regions, start):
        sounding = {
            number: region
            for number, region in enumerate(regions)
            if sounds_in(region, articulation, regions)
        }
        new = [region for number, region in sounding.items() if number not in heard]
        heard |= sounding.keys()
        here = tuple(sounding.values())
        keys = tuple(
            key
            for key in mapped_keys(here)
            if any(region.lokey <= key <= region.hikey for region in new)
            and attack_regions(here, key)
            and (key == articulation.player.last_switch or not is_switch(regions, key))
        )
        found.append(Programme(articulation=articulation, regions=here, keys=keys))
    return tuple(found)


def key_orders(
    regions: Sequence[SfzRegion],
    programme: Programme,
    hearing: HearingSettings,
    *,
    short: bool,
) -> Iterator[KeyOrder]:
    """Yield orders of a few neighbouring keys each, with the regions that these need."""
    plan = short_notes if short else all_notes
    here = programme.regions
    for first in range(0, len(programme.keys), _KEYS_AN_ORDER):
        some = programme.keys[first : first + _KEYS_AN_ORDER]
        yield KeyOrder(
            regions=tuple(r for r in regions if any(r.lokey <= key <= r.hikey for key in some)),
            notes=tuple(note for key in some for note in plan(here, key)),
            hand_overs=()
            if short
            else tuple(border for key in some for border in hand_overs(here, key)),
            settings=replace(hearing, player=programme.articulation.player),
            articulation=programme.articulation.name,
        )


def choke_orders(regions: tuple[SfzRegion, ...], programme: Programme) -> Iterator[ChokeOrder]:
    """Yield an order for each group of the programme that is turned off by another key."""
    for key, by_key in choke_pairs(programme.regions):
        if key in programme.keys:
            yield ChokeOrder(
                regions=regions,
                key=key,
                by_key=by_key,
                settings=programme.articulation.player,
                articulation=programme.articulation.name,
            )


def key_gaps(programmes: Iterable[Programme]) -> tuple[KeyGap, ...]:
    """Return the keys between mapped ones that start nothing, each stretch once."""
    found: dict[tuple[int, int], KeyGap] = {}
    for programme in programmes:
        for first, last in gaps(programme.regions):
            gap = KeyGap(first_key=first, last_key=last, articulation=programme.articulation.name)
            found.setdefault((first, last), gap)
    return tuple(found.values())


def one_a_loop(regions: Iterable[SfzRegion]) -> list[SfzRegion]:
    """Return the regions with one for each sample and pair of loop points."""
    firsts: dict[object, SfzRegion] = {}
    for region in regions:
        points = (region.sample, region.loop_mode, region.loop_start_frame, region.loop_end_frame)
        firsts.setdefault(points, region)
    return list(firsts.values())


def one_an_end(regions: Iterable[SfzRegion]) -> list[SfzRegion]:
    """Return the regions with one for each sample and frame that it ends at."""
    firsts: dict[object, SfzRegion] = {}
    for region in regions:
        end = (region.sample, region.loop_mode, region.end_frame, region.reverse)
        firsts.setdefault(end, region)
    return list(firsts.values())
