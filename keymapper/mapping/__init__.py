"""From measurements to an instrument: names, keys, velocities, repeats, levels.

::

    names/ ─▶ naming ─▶ deciding ─▶ assembling      what is true of each note of the set
    key_ranges, velocities, filling, splits ─▶ placing   which keys and velocities it plays
    one_shots, choking                              the same for sounds that play to their end
    levels, dynamics, fading, headroom ─▶ voicing   how loud
    zones                                           all of it as zones; doubting: what to look at
"""
