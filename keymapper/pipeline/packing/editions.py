"""The instruments of an edition: as they are, or in less space."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from keymapper.model.pack import Edition
from keymapper.packing.editions import (
    budget_findings,
    conversion_orders,
    converted_sample,
    folded_level,
    with_fold_gains,
    write_converted_texts,
)
from keymapper.packing.instrument import ReadyInstrument, ready_instrument
from keymapper.pipeline.measure import followed
from keymapper.pipeline.packing.ready import Surroundings, judged


def edition_instruments(
    edition: Edition, number: int, full: tuple[ReadyInstrument, ...], around: Surroundings
) -> tuple[ReadyInstrument, ...]:
    """Return the instruments of an edition, converted, audited and proved where it needs that.

    number : of the edition; names its working folder.
    """
    instruments = full
    if edition.bits is not None or edition.mono:
        work = around.work / "editions" / str(number)
        instruments = tuple(_converted(edition, one, work, around) for one in full)
    findings = budget_findings(edition, instruments)
    if findings:
        first = replace(instruments[0], findings=(*instruments[0].findings, *findings))
        instruments = (first, *instruments[1:])
    return instruments


def _converted(
    edition: Edition, instrument: ReadyInstrument, work: Path, around: Surroundings
) -> ReadyInstrument:
    folder = work / instrument.folder_name
    orders = conversion_orders(instrument, edition, folder)
    gain_db = 0.0
    if edition.mono:
        orders, gain_db = with_fold_gains(orders, list(around.pool.run(folded_level, orders)))
    results = around.pool.run(converted_sample, orders)
    peaks = followed(results, "Converting", len(orders), around.progress)
    write_converted_texts(instrument, folder, orders, peaks, gain_db)
    smaller = ready_instrument(folder, instrument.declared, instrument.folder_name)
    return judged(replace(smaller, name=instrument.name), folder, around)
