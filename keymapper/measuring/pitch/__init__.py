"""Every note's key and cents, with an error bar, and honest about doubt."""

from keymapper.measuring.pitch.measure import measure_pitch

__all__ = ["measure_pitch"]
