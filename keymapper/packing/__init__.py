"""From instruments to a pack fit to sell, and back: what a buyer would receive, looked through.

::

    rights.py, gate.py     what is declared and what was found ─▶ findings that stop the pack
    facts.py               an SFZ as it is played ─▶ keys, layers, voices, memory
    phrases.py, previews.py, levelling.py   an instrument ─▶ a phrase to hear, levelled
    editions.py            an instrument ─▶ the same in less space
    names.py, metadata.py, writing.py       instruments ─▶ every file of the pack, as parts
    documents.py, booklet.py, booklet_page.py   the documents
    archive.py             files ─▶ ZIP, the same bytes every time
    opening.py, comparing.py, checksums.py   ZIP or folder from anywhere ─▶ its files, unharmed
    checking.py            those files ─▶ findings
"""
