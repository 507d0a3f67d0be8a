"""Measure the files of packs over processes."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from keymapper.auditing.cache import FactsCache
from keymapper.auditing.facts import WHOLE, FactsOrder, Stretch, sample_facts
from keymapper.auditing.reading import ReadPack
from keymapper.errors import InputError, MeasurementError
from keymapper.model.sample_facts import SampleFacts
from keymapper.progress import Progress, followed
from keymapper.workers import Workers


def sounds_of(read: ReadPack) -> list[tuple[str, Stretch]]:
    """Return what is to be measured of a pack: the files, then the sounds of those with several."""
    whole = [(file, WHOLE) for file in read.samples]
    return whole + [(file, one) for file in read.samples for one in read.stretches.get(file, ())]


def orders_of(read: ReadPack) -> list[FactsOrder]:
    """Return one order for each sound of a pack."""
    return [
        FactsOrder(
            path=read.source.root / file,
            reference_hz=read.reference_hz,
            loops=read.requests.get(file, ()),
            stretch=stretch,
            starts=read.starts.get(file, ()) if stretch == WHOLE else (stretch.first_frame,),
        )
        for file, stretch in sounds_of(read)
    ]


def measured_files(
    orders: Sequence[FactsOrder], cache: FactsCache | None, pool: Workers, progress: Progress
) -> list[SampleFacts | str]:
    """Return what is known of each file, or why nothing is, in the order of the orders.

    What is measured is kept at once, so that an interrupted audit goes on where it stopped.
    """
    results = pool.run(partial(facts_or_reason, cache), orders)
    return followed(results, "measuring", len(orders), progress)


def facts_or_reason(cache: FactsCache | None, order: FactsOrder) -> SampleFacts | str:
    """Return what is known of a file, kept or measured, or why nothing is."""
    try:
        if cache is None:
            return sample_facts(order)
        asked = (order.reference_hz, order.loops, order.stretch, order.starts)
        key = cache.key(order.path, repr(asked))
        facts = cache.read(key)
        if facts is None:
            facts = sample_facts(order)
            cache.write(key, facts)
        return facts
    except (InputError, MeasurementError) as error:
        return str(error).removeprefix(f"{order.path}: ")
    except OSError as error:
        return f"cannot be read ({error.strerror or error})"
