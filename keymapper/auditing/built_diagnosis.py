"""Why the recordings of a built instrument deviate, from its manifest alone."""

from __future__ import annotations

from dataclasses import replace

from keymapper.auditing.diagnosis import TunedNote, diagnosed
from keymapper.auditing.recording_order import (
    NO_ORDER,
    RecordingOrder,
    numbers_in_names,
    order_of_times,
)
from keymapper.model.finding import Diagnosis
from keymapper.model.instrument import LayerFacts, Manifest, NoteRecord
from keymapper.model.keys import key_name


def diagnosed_build(manifest: Manifest) -> tuple[Diagnosis, ...]:
    """Return why the recordings of each layer deviate, one for each that has 3 pitched notes.

    One-shots have none. Without advice: what the build found, it has put right.
    """
    found = [
        _diagnosed(manifest, layer) for layer in manifest.layers if layer.layout != "one-shots"
    ]
    return tuple(replace(one, advice=()) for one in found if one is not None)


def notes_of_layer(manifest: Manifest, layer: LayerFacts) -> list[NoteRecord]:
    """Return the notes that were recorded for one layer."""
    return [
        note
        for note in manifest.notes
        if not layer.folder or note.source.file.startswith(f"{layer.folder}/")
    ]


def name_of_layer(manifest: Manifest, layer: LayerFacts) -> str:
    """Return what the recordings of a layer are called: those of the only one as the instrument."""
    return layer.folder if len(manifest.layers) > 1 else manifest.name


def _diagnosed(manifest: Manifest, layer: LayerFacts) -> Diagnosis | None:
    own = notes_of_layer(manifest, layer)
    notes = {note.source.file: note for note in own if not note.decision.is_release}
    tuned = [_tuned_note(notes[file]) for file in sorted(notes)]
    return diagnosed(name_of_layer(manifest, layer), tuned, _order([*notes.values()]))


def _tuned_note(note: NoteRecord) -> TunedNote:
    pitch, decision = note.measurement.pitch, note.decision
    known = pitch.f0_hz is not None and not pitch.doubtful
    return TunedNote(
        file=note.source.file,
        zone=key_name(decision.root_key),
        root_key=decision.root_key,
        played_velocity=100.0 if decision.velocity is None else float(decision.velocity),
        velocity=decision.velocity,
        round_robin=decision.round_robin,
        cents=decision.tuning_cents if known else None,
        error_cents=pitch.tuning_error_cents or 0.0,
        reason="" if known else "no pitch that could be trusted",
    )


def _order(notes: list[NoteRecord]) -> RecordingOrder:
    """Return the order of the notes in their session, else that of numbers in their names."""
    seconds = {note.source.file: note.source.session_seconds for note in notes}
    known = {file: at for file, at in seconds.items() if at is not None}
    if len(known) == len(notes):
        return order_of_times("session sheet", known, in_minutes=True)
    keys = {note.source.file: note.hints.key for note in notes}
    numbers = numbers_in_names(keys)
    if numbers is None:
        return NO_ORDER
    return order_of_times("numbers in names", numbers, in_minutes=False)
