"""The instruments of an edition: as they are, or in less space."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from keymapper.errors import UsageError
from keymapper.model.pack import Edition, PackFinding
from keymapper.model.recipe import Recipe
from keymapper.packing.editions import (
    budget_findings,
    budget_shares,
    conversion_orders,
    converted_sample,
    level_when_converted,
    needs_level_gains,
    with_level_gains,
    write_converted_texts,
)
from keymapper.packing.findings import pack_finding
from keymapper.packing.instrument import ReadyInstrument, ready_instrument
from keymapper.pipeline.packing.ready import BuiltFolder, Surroundings, build_again, judged
from keymapper.progress import followed


def edition_instruments(
    edition: Edition,
    full: tuple[ReadyInstrument, ...],
    built: Sequence[BuiltFolder],
    work: Path,
    around: Surroundings,
) -> tuple[ReadyInstrument, ...]:
    """Return the instruments of an edition, made smaller, audited and proved where it needs that.

    Bits and channels come first; what is over the budget then is built again from its recordings
    within its share, where there are any.

    work : an empty folder for the edition.
    """
    instruments = tuple(_converted(edition, one, work / "first", around) for one in full)
    instruments, findings = _within_budget(edition, instruments, full, built, work, around)
    first, *others = (
        one if one is original else judged(one, one.root, around)
        for one, original in zip(instruments, full, strict=True)
    )
    return (replace(first, findings=(*first.findings, *findings)), *others)


def _within_budget(
    edition: Edition,
    instruments: tuple[ReadyInstrument, ...],
    full: tuple[ReadyInstrument, ...],
    built: Sequence[BuiltFolder],
    work: Path,
    around: Surroundings,
) -> tuple[tuple[ReadyInstrument, ...], list[PackFinding]]:
    """Return the instruments, those over their share built again, and what does not fit."""
    if edition.budget_mb is None:
        return instruments, []
    findings: list[PackFinding] = []
    smaller = list(instruments)
    free = [one.recordings is not None for one in built]
    shares = budget_shares(edition.budget_mb * 1e6, instruments, free)
    for number, share in enumerate(shares):
        if share is None:
            continue
        original, before = full[number], instruments[number]
        try:
            rebuilt = _rebuilt(original, before, built[number], share, work, around)
            smaller[number] = _converted(edition, rebuilt, work / "second", around)
        except UsageError as error:
            where = f"edition {edition.name}: {original.name}"
            findings.append(pack_finding("budget-exceeded", where, str(error)))
    return tuple(smaller), [*findings, *budget_findings(edition, smaller)]


def _converted(
    edition: Edition, instrument: ReadyInstrument, work: Path, around: Surroundings
) -> ReadyInstrument:
    """Return an instrument in the bits and channels of an edition; itself where it has them."""
    if edition.bits is None and not edition.mono:
        return instrument
    folder = work / instrument.folder_name
    orders = conversion_orders(instrument, edition, folder)
    gain_db = 0.0
    if needs_level_gains(edition, instrument):
        orders, gain_db = with_level_gains(
            orders, list(around.pool.run(level_when_converted, orders))
        )
    results = around.pool.run(converted_sample, orders)
    peaks = followed(results, "Converting", len(orders), around.progress)
    write_converted_texts(instrument, folder, orders, peaks, gain_db)
    smaller = ready_instrument(folder, instrument.declared, instrument.folder_name)
    return replace(smaller, name=instrument.name)


def _rebuilt(
    full: ReadyInstrument,
    converted: ReadyInstrument,
    built: BuiltFolder,
    share_bytes: int,
    work: Path,
    around: Surroundings,
) -> ReadyInstrument:
    """Return an instrument built anew, so small that it fits its share once it is converted."""
    ratio = full.facts.audio_bytes / max(1, converted.facts.audio_bytes)
    target = work / "built" / full.folder_name
    build_again(built, target, _smaller(built.recipe, share_bytes * ratio), around)
    ready = ready_instrument(target, full.declared, full.folder_name)
    return replace(ready, name=full.name)


def _smaller(recipe: Recipe, most_bytes: float) -> Recipe:
    """Return a recipe with a budget; bits and channels are the edition's to decide.

    Samples keep one rate: a pack of mixed rates would not pass its own audit.
    """
    before = recipe.budget
    limit = min(most_bytes, before.most_bytes or most_bytes)
    budget = replace(
        before,
        size=f"{max(1, int(limit / 1000))}kB",
        fold=False,
        lower_bits=False,
        lower_rates=False,
    )
    return replace(recipe, budget=budget)
