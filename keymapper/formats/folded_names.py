"""When two file names are one to a file system that minds neither case nor composition."""

from __future__ import annotations

import unicodedata


def folded(name: str) -> str:
    """Return a name or path so that those which clash on some systems become equal."""
    composed = unicodedata.normalize("NFC", name)
    return unicodedata.normalize("NFC", composed.casefold())
