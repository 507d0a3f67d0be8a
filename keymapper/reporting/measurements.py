"""Measurements as rows: JSON and CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from typing import Any

from keymapper.recording import Recording

Row = dict[str, Any]


def measurement_rows(recordings: Sequence[Recording]) -> list[Row]:
    """Return one flat row a note; loops are half-open, in frames of the source file."""
    return [_row(recording) for recording in recordings]


def _row(recording: Recording) -> Row:
    measurement = recording.measurement
    pitch, levels = measurement.pitch, measurement.levels
    course, channels = measurement.course, measurement.channels
    return {
        "file": recording.source.file,
        "root_key": pitch.root_key,
        "tuning_cents": pitch.tuning_cents,
        "tuning_error_cents": pitch.tuning_error_cents,
        "f0_hz": pitch.f0_hz,
        "pitch_confidence": pitch.pitch_confidence,
        "pitch_definition": pitch.definition,
        "reference_hz": pitch.reference_hz,
        "doubtful": pitch.doubtful,
        "doubts": list(pitch.doubts),
        "drift_cents_per_second": pitch.drift_cents_per_second,
        "vibrato_hz": pitch.vibrato_hz,
        "vibrato_depth_cents": pitch.vibrato_depth_cents,
        "moving_from_seconds": pitch.moving_from_seconds,
        "glide_cents": pitch.glide_cents,
        "settle_seconds": pitch.settle_seconds,
        "detuning_width_cents": pitch.detuning_width_cents,
        "inharmonicity": pitch.inharmonicity,
        "loop": _loop(recording),
        "loop_reason": recording.loop.reason,
        "sustains": course.sustains,
        "onset_frame": course.onset_frame,
        "attack_end_frame": course.attack_end_frame,
        "note_off_frame": course.note_off_frame,
        "end_frame": course.end_frame,
        "peak_dbfs": levels.peak_dbfs,
        "rms_dbfs": levels.rms_dbfs,
        "loudness_lufs": levels.loudness_lufs,
        "noise_floor_dbfs": levels.noise_floor_dbfs,
        "dc_offset": levels.dc_offset,
        "clipped_frames": levels.clipped_frames,
        "flat_top_frames": levels.flat_top_frames,
        "channels": channels.count,
        "dead_channel": channels.dead or None,
        "equal_channels": channels.equal,
        "inverted_channels": channels.inverted,
        "rate": recording.source.rate,
        "frames": recording.source.frames,
        "missing_frames": recording.source.missing_frames,
    }


def _loop(recording: Recording) -> dict[str, int] | None:
    loop = recording.loop.loop
    if loop is None:
        return None
    head = recording.preparation.start_frame
    return {"start_frame": loop.start_frame + head, "end_frame": loop.end_frame + head}


def rows_as_csv(rows: Sequence[Row]) -> str:
    """Return rows as CSV with a heading; a loop becomes two columns, lists are joined by blanks."""
    flat = [_flat(row) for row in rows]
    out = io.StringIO()
    if flat:
        writer = csv.DictWriter(out, list(flat[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(flat)
    return out.getvalue()


def _flat(row: Row) -> Row:
    flat: Row = {}
    for key, value in row.items():
        if key == "loop":
            flat["loop_start_frame"] = None if value is None else value["start_frame"]
            flat["loop_end_frame"] = None if value is None else value["end_frame"]
        elif isinstance(value, list):
            flat[key] = " ".join(value)
        else:
            flat[key] = _harmless(value)
    return flat


def _harmless(value: object) -> object:
    """Text that a spreadsheet would take for a formula gets a leading apostrophe."""
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return f"'{value}"
    return value
