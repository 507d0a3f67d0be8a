"""What is written into every sample of a pack, beside its audio."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from keymapper import __version__
from keymapper.errors import OutputError
from keymapper.formats.audio_file import AudioInfo
from keymapper.formats.bext import BextFields, bext_body
from keymapper.formats.file_parts import Part
from keymapper.formats.flac_rewrite import rewritten_flac
from keymapper.formats.ixml import ixml_body
from keymapper.formats.wav_chunks import (
    SampleChunks,
    info_body,
    inst_body,
    read_chunk,
    read_embedded_hints,
    read_wav_layout,
    smpl_body,
)
from keymapper.formats.wav_rewrite import rewritten_wav
from keymapper.formats.wav_texts import info_tags
from keymapper.model.keys import key_name
from keymapper.model.loop import Loop
from keymapper.model.loudness import Loudness
from keymapper.model.pack import OWN_RECORDING, PackRecipe, SoundSource

SOFTWARE = f"keymapper {__version__}"


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleLabel:
    """What a sample says about itself."""

    title: str
    product: str
    maker: str
    copyright: str
    licence: str
    date: str
    """A day or a year."""
    contact: str
    root_key: int
    tuning_cents: float
    """How sharp the sample is of its root key."""
    loop: Loop | None
    keys: tuple[int, int]
    velocities: tuple[int, int]

    def mapping_text(self) -> str:
        """Return root, tuning and loop in words."""
        loop = "no loop"
        if self.loop is not None:
            loop = f"loop {self.loop.start_frame} to {self.loop.end_frame - 1}"
        return (
            f"root {self.root_key} ({key_name(self.root_key)}), "
            f"{self.tuning_cents:+.1f} cents, {loop}"
        )


def source_label(recipe: PackRecipe, sources: Sequence[SoundSource]) -> dict[str, str]:
    """Return the shared fields of a label with what is declared about an instrument's sources.

    Whose a sample is, and its licence, are those of its source: the pack's own where that is the
    maker's recording. Of several sources all are named, as nobody says which a sample is from.
    """
    own = pack_label(recipe)
    foreign = [source for source in sources if source.rights != OWN_RECORDING]
    if not foreign:
        return own
    mine = len(foreign) < len(sources)
    named = [source.credit.strip() or f"source: {source.what}" for source in foreign]
    licences = [source.rights for source in foreign]
    return own | {
        "maker": "; ".join(dict.fromkeys([own["maker"]] * mine + named)),
        "copyright": "; ".join(dict.fromkeys([own["copyright"]] * mine + named)),
        "licence": " AND ".join(dict.fromkeys([own["licence"]] * mine + licences)),
    }


def pack_label(recipe: PackRecipe) -> dict[str, str]:
    """Return the fields of a label that all samples of a pack share."""
    return {
        "product": f"{recipe.title} {recipe.version}",
        "maker": recipe.maker,
        "copyright": f"© {recipe.year} {recipe.maker}",
        "licence": recipe.licence,
        "date": recipe.released or str(recipe.year),
        "contact": recipe.contact,
    }


def labelled_sample(
    path: Path, info: AudioInfo, label: SampleLabel, loudness: Loudness | None
) -> tuple[Part, ...]:
    """Return a sample with its label, as parts; its audio is not touched.

    Raises
    ------
    OutputError
        The sample is neither WAV nor FLAC.
    """
    if info.container == "FLAC":
        return rewritten_flac(path, flac_comments(label), SOFTWARE)
    if info.container != "WAV":
        raise OutputError(f"{path}: is {info.container}; only WAV and FLAC samples are packed.")
    return rewritten_wav(path, _wav_bodies(path, info, label, loudness))


def flac_comments(label: SampleLabel) -> dict[str, str]:
    """Return the comments of a FLAC sample."""
    loop = {}
    if label.loop is not None:
        start, length = label.loop.start_frame, label.loop.length_frames
        loop = {"LOOP_START": str(start), "LOOP_LENGTH": str(length)}
    return {
        "TITLE": label.title,
        "ALBUM": label.product,
        "ARTIST": label.maker,
        "COPYRIGHT": label.copyright,
        "LICENSE": label.licence,
        "CONTACT": label.contact,
        "DATE": label.date,
        "SOFTWARE": SOFTWARE,
        "DESCRIPTION": label.mapping_text(),
        "ROOT_KEY": str(label.root_key),
        "TUNING_CENTS": f"{label.tuning_cents:+.1f}",
        **loop,
    }


def info_tags_of(label: SampleLabel) -> dict[str, str]:
    """Return the INFO tags of a WAV sample."""
    return {
        "INAM": label.title,
        "IPRD": label.product,
        "IART": label.maker,
        "ICOP": f"{label.copyright}; licence: {label.licence}",
        "ICRD": label.date,
        "ISFT": SOFTWARE,
        "ICMT": label.mapping_text(),
    }


def _wav_bodies(
    path: Path, info: AudioInfo, label: SampleLabel, loudness: Loudness | None
) -> dict[str, bytes]:
    """Return the chunks that are replaced or added; what was in them before is kept in them."""
    before = _chunks_before(path)
    return {
        "bext": bext_body(_bext(info, label, loudness), before.get("bext", b"")),
        "iXML": ixml_body(_ixml(label), info.channels, before.get("iXML", b"")),
        "LIST": info_body(dict(info_tags(before.get("LIST", b""))) | info_tags_of(label)),
        **_mapping_bodies(path, info.rate, label),
    }


def _chunks_before(path: Path) -> dict[str, bytes]:
    found: dict[str, bytes] = {}
    for place in read_wav_layout(path).chunks:
        if place.id in ("bext", "iXML", "LIST"):
            body = read_chunk(path, place)
            if place.id != "LIST" or body[:4] == b"INFO":
                found.setdefault(place.id, body)
    return found


def _bext(info: AudioInfo, label: SampleLabel, loudness: Loudness | None) -> BextFields:
    bits = "".join(letter for letter in info.encoding if letter.isdecimal()) or "32"
    mode = "mono" if info.channels == 1 else "stereo"
    return BextFields(
        description=f"{label.title}: {label.mapping_text()}",
        originator=label.maker,
        reference=label.product,
        date=label.date if len(label.date) == len("2026-11-25") else "",
        coding=f"A=PCM,F={info.rate},W={bits},M={mode},T={SOFTWARE}",
        loudness=loudness,
    )


def _ixml(label: SampleLabel) -> dict[str, str]:
    return {
        "PROJECT": label.product,
        "NOTE": f"{label.title}: {label.mapping_text()}",
        "USER": (
            f"maker={label.maker}; copyright={label.copyright}; licence={label.licence}; "
            f"date={label.date}; software={SOFTWARE}"
        ),
    }


def _mapping_bodies(path: Path, rate: int, label: SampleLabel) -> Mapping[str, bytes]:
    """Return `smpl` and `inst`, but nothing where the file already says the same.

    What another tool keeps in these chunks beside root and loop stays that way.
    """
    hints = read_embedded_hints(path)
    says = None if hints is None or hints.low_key is None else (hints.root_key, hints.loop)
    if says == (label.root_key, label.loop):
        return {}
    chunks = SampleChunks(
        root_key=label.root_key,
        tuning_cents=label.tuning_cents,
        loop=label.loop,
        low_key=label.keys[0],
        high_key=label.keys[1],
        low_velocity=label.velocities[0],
        high_velocity=label.velocities[1],
        info={},
    )
    return {"smpl": smpl_body(chunks, rate), "inst": inst_body(chunks)}
