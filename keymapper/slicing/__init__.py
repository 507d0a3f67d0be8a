"""From a take (blocks of frames) to the notes in it. No files, no printing.

::

    course, novelty ─▶ hearing       the take heard once: levels, bands, onsets
    alignment, evidence ─▶ placing   where it lies in its plan (by_order: played by hand)
    clock                            latency and drift, from exact onsets
    onset, attack ─▶ timing          when each note begins; in noise and under tails
    beginning ─▶ growth, swelling, curving ─▶ note_times
    presence, hidden, extras, struck_again    what was played, and what else
    planned                          all of it together; unplanned, alike without a plan
    ends, naming ─▶ report           the notes, cut and named
"""
