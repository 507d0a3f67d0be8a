"""An instrument as text for the terminal."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import msgspec
from rich.table import Table

from keymapper.model.instrument import Manifest, NoteRecord, Zone
from keymapper.model.keys import key_name
from keymapper.model.proof import Proof
from keymapper.reporting.plain import one_line


def zone_table(manifest: Manifest) -> Table:
    """Return the zones as a table, one row a zone."""
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("keys", "root", "tuning", "velocity", "turn", "loop", "join", "level", "from"):
        numbers = heading in ("tuning", "level", "loop", "join")
        table.add_column(heading, justify="right" if numbers else "left", no_wrap=heading != "from")
    notes = _notes_by_sample(manifest)
    for zone in manifest.zones:
        table.add_row(*_zone_cells(zone, notes[zone.sample]))
    return table


def _notes_by_sample(manifest: Manifest) -> dict[str, NoteRecord]:
    return {note.sample.file: note for note in manifest.notes}


def level_dbfs(zone: Zone, note: NoteRecord) -> float:
    """Return the level of a zone as it goes on sounding, as it was written."""
    return note.measurement.levels.body_dbfs + note.sample.processing.gain_db + zone.gain_db


def _zone_cells(zone: Zone, note: NoteRecord) -> Iterator[str]:
    join = note.sample.join
    keys = key_name(zone.low_key)
    yield keys if zone.low_key == zone.high_key else f"{keys} – {key_name(zone.high_key)}"
    yield key_name(zone.root_key)
    yield f"{zone.tuning_cents:+.1f} ct"
    yield f"{zone.low_velocity} – {zone.high_velocity}"
    yield f"{zone.round_robin}/{zone.round_robins}" if zone.round_robins > 1 else ""
    seconds = 0 if zone.loop is None else zone.loop.length_frames / note.sample.processing.rate
    yield f"{seconds:.3f} s" if zone.loop else "–"
    yield "–" if join is None else f"{join.worst_db:+.1f} dB"
    yield f"{level_dbfs(zone, note):.1f} dB"
    yield one_line(note.source.file)


def instrument_notices(manifest: Manifest) -> Iterator[str]:
    """Yield what a person should read, the gravest first."""
    for doubt in manifest.doubts:
        yield f"look at  {one_line(doubt.file)}: {one_line(doubt.message)}"
    for skipped in manifest.skipped:
        yield f"skipped  {one_line(skipped.file)}: {one_line(skipped.reason)}"
    for layer in manifest.layers:
        where = f"{one_line(layer.folder)}: " if layer.folder else ""
        for remark in layer.remarks:
            yield f"note     {where}{one_line(remark)}"


def instrument_data(manifest: Manifest, proof: Proof | None, where: str) -> dict[str, Any]:
    """Return what the table and the notices say, as data for `--json`."""
    notes = _notes_by_sample(manifest)
    return {
        "result": where,
        "zones": [_zone_data(zone, notes[zone.sample]) for zone in manifest.zones],
        "doubts": msgspec.to_builtins(manifest.doubts),
        "skipped": msgspec.to_builtins(manifest.skipped),
        "proof": None
        if proof is None
        else {"verdict": proof.verdict, "findings": msgspec.to_builtins(proof.findings)},
        "remarks": [remark for layer in manifest.layers for remark in layer.remarks],
    }


def _zone_data(zone: Zone, note: NoteRecord) -> dict[str, Any]:
    return {
        "file": note.source.file,
        "sample": zone.sample,
        "root_key": zone.root_key,
        "tuning_cents": zone.tuning_cents,
        "low_key": zone.low_key,
        "high_key": zone.high_key,
        "low_velocity": zone.low_velocity,
        "high_velocity": zone.high_velocity,
        "round_robin": zone.round_robin,
        "round_robins": zone.round_robins,
        "loop": msgspec.to_builtins(zone.loop),
        "join_db": None if note.sample.join is None else note.sample.join.worst_db,
        "level_dbfs": level_dbfs(zone, note),
    }
