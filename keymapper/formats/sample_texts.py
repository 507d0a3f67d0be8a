"""What a sample file of any format says about itself beside its audio."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from keymapper.formats.aiff_chunks import aiff_hints, aiff_texts, read_aiff_chunks
from keymapper.formats.flac_texts import read_flac_metadata
from keymapper.formats.wav_chunks import hints_of_chunks, read_embedded_hints
from keymapper.formats.wav_texts import iso_time, read_wav_texts
from keymapper.model.instrument import EmbeddedHints
from keymapper.model.sample_facts import SampleTexts


@dataclass(frozen=True, slots=True, kw_only=True)
class Imprint:
    """The hints and texts of one file."""

    embedded: EmbeddedHints | None
    texts: SampleTexts


def read_imprint(path: Path) -> Imprint:
    """Return what the chunks, markers and comments of an audio file say."""
    with path.open("rb") as file:
        magic = file.read(4)
    if magic == b"FORM":
        chunks = read_aiff_chunks(path)
        return Imprint(embedded=aiff_hints(chunks), texts=aiff_texts(chunks))
    if magic == b"fLaC":
        metadata = read_flac_metadata(path)
        return Imprint(
            embedded=hints_of_chunks(metadata.chunks),
            texts=SampleTexts(tags=metadata.comments, recorded=_recorded(metadata.comments)),
        )
    return Imprint(embedded=read_embedded_hints(path), texts=read_wav_texts(path))


def _recorded(comments: tuple[tuple[str, str], ...]) -> str | None:
    """Return when it was recorded, where a DATE comment says the time of day as well."""
    for name, text in comments:
        date, _, time = text.replace(" ", "T").partition("T")
        if name == "DATE" and time:
            return iso_time(date, time)
    return None
