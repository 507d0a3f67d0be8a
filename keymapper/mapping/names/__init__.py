"""Hints from the file names of a set, read together and held against the sound.

::

    lexing        a name -> words, numbers, possible notes
    columns       what stands at the same place in all names
    agreement     named keys against measured ones: one shift for the set
    note_names    which pieces are note names            keys        octave convention, odd ones
    roles         which numbers are keys, velocities, repeats
    velocities    numbers, layers, levels                words       dynamics, release notes
    reading       all of it together

Names are hints and sound is evidence: a name that disagrees with a surely measured sound is
reported and gives no hint.
"""

from __future__ import annotations

from keymapper.mapping.names.hints import Contradiction, MeasuredHint, NameHint, SetHints
from keymapper.mapping.names.set_hints import hints_from_names

__all__ = ["Contradiction", "MeasuredHint", "NameHint", "SetHints", "hints_from_names"]
