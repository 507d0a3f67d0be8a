"""A small instrument made in memory, and elements of its page."""

from __future__ import annotations

import re

import numpy as np
from lxml import etree, html

from keymapper.model.instrument import Manifest, NoteRecord
from keymapper.model.loop import Loop


def parsed(page: str) -> etree._Element:
    """Return a page as a browser would read it, roughly."""
    return html.document_fromstring(page)


def data_of(root: etree._Element) -> str:
    """Return the text of the data block."""
    return root.get_element_by_id("sound").text


def tone(frequency_hz: float, seconds: float, rate: int = 48_000) -> np.ndarray:
    """A sine of half scale, shape (frames, 1)."""
    time = np.arange(round(seconds * rate)) / rate
    return 0.5 * np.sin(2 * np.pi * frequency_hz * time)[:, np.newaxis]


def loop_of(note: NoteRecord) -> Loop:
    assert note.sample.loop is not None
    return note.sample.loop


def note_files(manifest: Manifest) -> list[str]:
    return [note.source.file for note in manifest.notes]


def colours(style: str) -> list[dict[str, str]]:
    """Return the custom properties of the light and of the dark scheme."""
    blocks = re.findall(r":root \{(.*?)\}", style, re.DOTALL)[:2]
    return [dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", block)) for block in blocks]


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours as WCAG 2 defines it."""

    def luminance(colour: str) -> float:
        parts = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    bright, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (bright + 0.05) / (dark + 0.05)
