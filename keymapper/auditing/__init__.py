"""From a folder, an SFZ file or a manifest to findings: parse and measure once, then judge.

::

    packs ─▶ reading ─┬─▶ assembly ─▶ subject ─▶ judging by rules/ ─▶ findings
    facts, by sound/ ─┘                 └─▶ diagnosis, by drift_fit
    fixes/                              findings ─▶ a corrected copy
"""
