"""Loops nobody hears: where a note may loop, and the audio that makes the join vanish.

::

    region ─▶ flattening ─▶ features ─▶ candidates ─▶ cost ─▶ search ─▶ verdict ─▶ crossfade
                            (of a short sustain, before one is chosen) audition ◀─────┘

The measure that judges the result (``keymapper.measuring.join``) shares no rule with it, only the
arithmetic of ``views.py``, ``patches.py`` and ``playing.py``.
"""

from keymapper.measuring.loops.baking import bake_loop, flattened
from keymapper.measuring.loops.crossfade import GUARD_FRAMES
from keymapper.measuring.loops.finding import find_loop

__all__ = ["GUARD_FRAMES", "bake_loop", "find_loop", "flattened"]
