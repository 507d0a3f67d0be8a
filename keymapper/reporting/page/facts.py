"""What was measured of a note, as names and texts."""

from __future__ import annotations

from keymapper.model.instrument import Measurement
from keymapper.model.sound import SILENCE_DBFS
from keymapper.reporting.page.charts import plain_text, signed_text


def measured_facts(measured: Measurement) -> list[tuple[str, str]]:
    """Return pitch, movement and levels; what is absent from the sound is left out."""
    pitch, levels = measured.pitch, measured.levels
    found: list[tuple[str, str]] = []
    if pitch.tuning_cents is not None:
        error = "" if pitch.tuning_error_cents is None else f" ± {pitch.tuning_error_cents:.1f}"
        found.append(("Recorded", f"{signed_text(pitch.tuning_cents, 1)}{error} ct"))
        found.append(("Sure of the key", f"{100 * pitch.pitch_confidence:.0f} %"))
    if pitch.detuning_width_cents is not None:
        found.append(("Voices apart", f"{pitch.detuning_width_cents:.1f} ct"))
    if pitch.vibrato_hz is not None and pitch.vibrato_depth_cents is not None:
        depth = f"{pitch.vibrato_depth_cents:.1f} ct at {pitch.vibrato_hz:.1f} Hz"
        found.append(("Vibrato", depth))
    if pitch.drift_cents_per_second is not None:
        found.append(("Drift", f"{signed_text(pitch.drift_cents_per_second, 1)} ct a second"))
    if pitch.glide_cents is not None:
        found.append(("Glide of the attack", f"from {signed_text(pitch.glide_cents, 0)} ct"))
    found.append(("Peak", level_text(levels.peak_dbfs, "dBFS")))
    found.append(("Loudness", level_text(levels.loudness_lufs, "LUFS")))
    if levels.noise_floor_dbfs is not None:
        found.append(("Noise floor", level_text(levels.noise_floor_dbfs, "dBFS")))
    return found


def level_text(value: float, unit: str) -> str:
    """Return a level with its unit; digital silence in words."""
    return "silence" if value <= SILENCE_DBFS else f"{plain_text(value)} {unit}"


def sides_text(channels: int) -> str:
    """Return a number of channels in words."""
    return {1: "mono", 2: "stereo"}.get(channels, f"{channels} channels")
