"""Play a whole instrument, one kind of thing after the other, shared out over processes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

from keymapper.formats.sfz import SfzRegion
from keymapper.model.instrument import Manifest
from keymapper.progress import Progress
from keymapper.proving.hearing import HearingSettings, KeysHeard, hear_keys
from keymapper.proving.judging import Heard
from keymapper.proving.orders import (
    Programme,
    choke_orders,
    key_gaps,
    key_orders,
    one_a_loop,
    one_an_end,
    programmes,
)
from keymapper.proving.seams import JoinOrder, hear_choke, hear_end, hear_join
from keymapper.workers import Workers

Work = TypeVar("Work")
Result = TypeVar("Result")


@dataclass(frozen=True, slots=True, kw_only=True)
class Performer:
    """Who plays, who is told how far it is, and whether only the keys are played, briefly."""

    workers: Workers
    progress: Progress
    short: bool

    def run(
        self, what: str, act: Callable[[Work], Result], work: Sequence[Work]
    ) -> tuple[Result, ...]:
        """Return what `act` makes of each piece of work, in order."""
        results = []
        for done, result in enumerate(self.workers.run(act, work), start=1):
            self.progress(what, done, len(work))
            results.append(result)
        return tuple(results)


def perform(
    regions: tuple[SfzRegion, ...],
    hearing: HearingSettings,
    performer: Performer,
    believed: Manifest | None,
) -> Heard:
    """Return everything heard of the regions that can be played.

    believed : the manifest whose word on a join stands while its file is unchanged, if any.
    """
    played = programmes(regions, hearing)
    heard = _heard_keys(regions, played, hearing, performer)
    return heard if performer.short else _with_seams(heard, regions, played, performer, believed)


def _heard_keys(
    regions: tuple[SfzRegion, ...],
    played: Sequence[Programme],
    hearing: HearingSettings,
    performer: Performer,
) -> Heard:
    """Return the notes and hand-overs of every articulation, and what nothing started."""
    parts: list[KeysHeard] = []
    for programme in played:
        orders = list(key_orders(regions, programme, hearing, short=performer.short))
        parts += performer.run("keys", hear_keys, orders)
    started = frozenset[SfzRegion]().union(*(part.started for part in parts))
    return Heard(
        notes=tuple(note for part in parts for note in part.notes),
        hand_overs=tuple(border for part in parts for border in part.hand_overs),
        gaps=key_gaps(played),
        left_out=tuple(region.sample for region in regions if region not in started),
    )


def _with_seams(
    heard: Heard,
    regions: tuple[SfzRegion, ...],
    played: Sequence[Programme],
    performer: Performer,
    believed: Manifest | None,
) -> Heard:
    """Return what was heard with the cuts, loops and ends."""
    stated = {note.sample.file: note.sample for note in (believed.notes if believed else ())}
    chokes = [order for programme in played for order in choke_orders(regions, programme)]
    loops = [
        JoinOrder(region=region, stated=stated.get(region.sample)) for region in one_a_loop(regions)
    ]
    cut = performer.run("chokes", hear_choke, chokes)
    joins = performer.run("loops", hear_join, loops)
    ends = performer.run("ends", hear_end, one_an_end(regions))
    return replace(
        heard,
        chokes=cut,
        joins=tuple(join for join in joins if join is not None),
        ends=tuple(end for end in ends if end is not None),
    )
