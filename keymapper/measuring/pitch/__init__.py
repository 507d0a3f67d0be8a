"""Every note's key and cents, with an error bar, and honest about doubt.

The way of the data::

    sustain ──▶ spectra ──▶ candidates ──▶ features (+ second_opinion) ──▶ the key and its odds
       └─▶ harmonics ──▶ partials ──▶ vote ──▶ fine ──▶ the cents ──▶ phase_line, if steady
               └─▶ track ──▶ swing, glide ──▶ course ──▶ error_bar
"""

from keymapper.measuring.pitch.candidates import HIGHEST_HZ, LOWEST_HZ
from keymapper.measuring.pitch.measure import measure_pitch

__all__ = ["HIGHEST_HZ", "LOWEST_HZ", "measure_pitch"]
