"""How audible a loop's join is; it sees only audio and two frame numbers.

Every cue is a distance in dB over its threshold (a just noticeable difference, or what the note
does by itself, whichever is more). The search for loops does not know this measure.
"""

from keymapper.measuring.join.audibility import join_audibility

__all__ = ["join_audibility"]
