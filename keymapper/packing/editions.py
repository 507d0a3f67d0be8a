"""Samples in less space: fewer bits, and two sides folded to one."""

from __future__ import annotations

import math
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import soundfile

from keymapper.errors import OutputError
from keymapper.exporting.publish import write_text
from keymapper.exporting.quantise import dequantised, quantised
from keymapper.formats.audio_file import read_audio
from keymapper.formats.file_parts import read_parts
from keymapper.formats.flac_rewrite import with_blocks_of
from keymapper.formats.manifest import MANIFEST_NAME, write_manifest
from keymapper.formats.wav_chunks import format_body, pcm_bytes
from keymapper.formats.wav_rewrite import NewAudio, rewritten_wav
from keymapper.measuring.levels import FoldedLevel, folded_level, peak_dbfs
from keymapper.model.instrument import Manifest
from keymapper.model.loop import Loop
from keymapper.model.pack import Edition, PackFinding
from keymapper.packing.findings import pack_finding
from keymapper.packing.instrument import ReadyInstrument, packed_manifest
from keymapper.packing.sfz_text import packed_sfz

PEAK_DBFS = -0.3
_PEAK_CHUNKS = frozenset(("PEAK", "levl"))
"""They say how high the audio peaks in each channel, as it was."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ConversionOrder:
    """One sample to be made smaller: the work of one process."""

    source: Path
    target: Path
    container: str
    bits: int
    bits_before: int
    mono: bool
    loop: Loop | None
    """What follows its end stays equal to what follows its start."""
    volume_db: float = 0.0
    """Of the loudest zone that plays it."""
    gain_db: float = 0.0


def level_when_converted(order: ConversionOrder) -> FoldedLevel:
    """Return how high a sample peaks in fewer channels, and what it loses by that."""
    samples = read_audio(order.source, "float64").samples
    if not order.mono:
        return FoldedLevel(lost_db=0.0, peak_dbfs=peak_dbfs(samples))
    return folded_level(samples, order.loop)


def needs_level_gains(edition: Edition, instrument: ReadyInstrument) -> bool:
    """Tell whether sides are folded, or samples lose the float numbers that hold any peak."""
    encodings = {info.encoding for info in instrument.infos.values()}
    return edition.mono or not encodings.isdisjoint(("FLOAT", "DOUBLE"))


def with_level_gains(
    orders: Sequence[ConversionOrder], levels: Sequence[FoldedLevel]
) -> tuple[list[ConversionOrder], float]:
    """Return the orders with gains that put back what folding takes, and what is common to all.

    So no zone falls behind its neighbours because its sides are less alike. Where the loudest
    peak would rise above -0.3 dBFS, all samples are turned down alike; that much, in dB, the
    instrument has to be turned up by, as far as its loudest zone has room below -0.3 dBFS.
    """
    highest = max((one.peak_dbfs + one.lost_db for one in levels), default=PEAK_DBFS)
    common = min(0.0, PEAK_DBFS - highest)
    gains = [
        replace(order, gain_db=one.lost_db + common)
        for order, one in zip(orders, levels, strict=True)
    ]
    loudest = max(
        (
            order.gain_db + one.peak_dbfs + order.volume_db
            for order, one in zip(gains, levels, strict=True)
        ),
        default=PEAK_DBFS,
    )
    return gains, min(-common, max(0.0, PEAK_DBFS - loudest))


def conversion_orders(
    instrument: ReadyInstrument, edition: Edition, folder: Path
) -> list[ConversionOrder]:
    """Return the work on every sample of an instrument."""
    loops: dict[Path, Loop] = {}
    volumes_db: dict[Path, float] = {}
    for region in instrument.reading.regions:
        if region.sample_path is not None:
            loudest_db = volumes_db.get(region.sample_path, -math.inf)
            volumes_db[region.sample_path] = max(loudest_db, region.volume_db)
        start, end = region.loop_start_frame, region.loop_end_frame
        if region.sample_path is not None and start is not None and end is not None:
            loops.setdefault(region.sample_path, Loop(start_frame=start, end_frame=end))
    orders = []
    for path, info in instrument.infos.items():
        before = 16 if info.encoding == "PCM_16" else 24
        orders.append(
            ConversionOrder(
                source=path,
                target=folder / instrument.relative(path),
                container=info.container,
                bits=min(edition.bits or before, before),
                bits_before=before,
                mono=edition.mono and info.channels == 2,
                loop=loops.get(path),
                volume_db=volumes_db.get(path, 0.0),
            )
        )
    return orders


def converted_sample(order: ConversionOrder) -> float:
    """Write a sample in fewer bits or channels; return its peak in dBFS.

    All chunks around its audio stay, but for what says how high it peaks.

    Sides are folded to their mean. Dither is triangular, once, wherever audio is rounded anew to
    16 bits; audio that stays as it is, is copied.

    Raises
    ------
    InputError
        The sample is not audio.
    OutputError
        The sample cannot be written.
    """
    order.target.parent.mkdir(parents=True, exist_ok=True)
    audio = read_audio(order.source, "float64")
    if not order.mono and not order.gain_db and order.bits == order.bits_before:
        shutil.copyfile(order.source, order.target)
        return peak_dbfs(audio.samples)
    samples = audio.samples.mean(axis=1, keepdims=True) if order.mono else audio.samples
    turned = samples * 10 ** (order.gain_db / 20)
    pcm = quantised(turned, order.bits, dither=_dithers(order))
    if order.loop is not None:
        start, end = order.loop.start_frame, order.loop.end_frame
        guard = min(len(pcm) - end, end - start)
        pcm[end : end + guard] = pcm[start : start + guard]
    try:
        if order.container == "FLAC":
            _write_flac(order, pcm, audio.info.rate)
        else:
            _write_wav(order, pcm, audio.info.rate)
    except (OSError, soundfile.LibsndfileError) as error:
        raise OutputError(f"{order.target}: cannot be written ({error}).") from error
    return peak_dbfs(dequantised(pcm, order.bits))


def _dithers(order: ConversionOrder) -> bool:
    return order.bits == 16


def _write_flac(order: ConversionOrder, pcm: np.ndarray, rate: int) -> None:
    bare = order.target.with_name(f".{order.target.name}.bare")
    with soundfile.SoundFile(
        bare, "w", rate, pcm.shape[1], f"PCM_{order.bits}", format="FLAC"
    ) as file:
        file.write(pcm << (32 - order.bits))
    with order.target.open("xb") as target:
        target.writelines(read_parts(with_blocks_of(bare, order.source)))
    bare.unlink()


def _write_wav(order: ConversionOrder, pcm: np.ndarray, rate: int) -> None:
    body = format_body(pcm.shape[1], rate, order.bits)
    audio = NewAudio(format_body=body, data=pcm_bytes(pcm, order.bits))
    with order.target.open("xb") as file:
        file.writelines(read_parts(rewritten_wav(order.source, {}, audio, _PEAK_CHUNKS)))


def write_converted_texts(
    instrument: ReadyInstrument,
    folder: Path,
    orders: Sequence[ConversionOrder],
    peaks_dbfs: Sequence[float],
    gain_db: float,
) -> None:
    """Write the SFZ, and the manifest where there is one, beside the converted samples.

    gain_db : by how much every zone is turned up.

    Raises
    ------
    OutputError
        They cannot be written.
    """
    same = {
        region.sample: instrument.relative(region.sample_path)
        for region in instrument.reading.regions
        if region.sample_path is not None
    }
    write_text(folder / instrument.sfz.name, packed_sfz(instrument.reading, same, gain_db))
    if instrument.manifest is not None:
        made = {
            instrument.relative(order.source): (order, peak)
            for order, peak in zip(orders, peaks_dbfs, strict=True)
        }
        louder = packed_manifest(instrument.manifest, {}, {}, gain_db)
        text = write_manifest(_converted_manifest(louder, made))
        write_text(folder / MANIFEST_NAME, text)


def _converted_manifest(
    manifest: Manifest, made: Mapping[str, tuple[ConversionOrder, float]]
) -> Manifest:
    notes = []
    for note in manifest.notes:
        if note.sample.file not in made:
            notes.append(note)
            continue
        order, peak = made[note.sample.file]
        before = note.sample.processing
        processing = replace(
            before,
            channel="folded" if order.mono else before.channel,
            bits=order.bits,
            dithered=_dithers(order),
            gain_db=before.gain_db + order.gain_db,
        )
        sample = replace(
            note.sample,
            channels=1 if order.mono else note.sample.channels,
            peak_dbfs=peak,
            processing=processing,
        )
        notes.append(replace(note, sample=sample))
    return replace(manifest, notes=tuple(notes))


def budget_shares(
    most_bytes: float, instruments: Sequence[ReadyInstrument], rebuildable: Sequence[bool]
) -> list[int | None]:
    """Return how large the audio of each instrument may be; None where it need not get smaller.

    What the others leave is shared in proportion among those that can be built smaller.
    """
    sizes = [one.facts.audio_bytes for one in instruments]
    if sum(sizes) <= most_bytes:
        return [None] * len(sizes)
    fixed = sum(size for size, free in zip(sizes, rebuildable, strict=True) if not free)
    ratio = max(0.0, most_bytes - fixed) / max(1, sum(sizes) - fixed)
    return [
        int(size * ratio) if free else None for size, free in zip(sizes, rebuildable, strict=True)
    ]


def budget_findings(edition: Edition, instruments: Sequence[ReadyInstrument]) -> list[PackFinding]:
    """Return a finding where the samples of an edition take more than its budget."""
    size = sum(one.facts.audio_bytes for one in instruments)
    if edition.budget_mb is None or size <= edition.budget_mb * 1e6:
        return []
    message = f"its audio takes {size / 1e6:.1f} MB of {edition.budget_mb:g} MB"
    return [pack_finding("budget-exceeded", f"edition {edition.name}", message)]
