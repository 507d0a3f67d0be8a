"""Play a written instrument key by key and measure what comes out.

::

    articulations ─▶ plan ─▶ orders          what to play
    loading, voices, streams, interpolation, envelopes, filters, gains ─▶ player ─▶ sound
    hearing, seams, clicks                   sound ─▶ figures
    judging ─▶ proof, summary                figures against limits
"""
