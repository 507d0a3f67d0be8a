"""Play a written instrument key by key and measure what comes out.

::

    articulations ─▶ plan ─▶ orders          what to play
    loading, voices, streams, interpolation, envelopes, filters, gains ─▶ player ─▶ sound
    hearing, seams, clicks                   sound ─▶ figures
    performance ─▶ judging, findings         everything played; figures against limits
    proof, summary, proof_file               all of it, in a few words, and on disk
"""
