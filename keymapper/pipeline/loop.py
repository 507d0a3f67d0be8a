"""Loops alone: copies of WAV files with a seamless loop in them and nothing else changed."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from keymapper.errors import InputError, MeasurementError, UsageError
from keymapper.exporting.publish import published_folder, refuse_overlap
from keymapper.formats.audio_file import Audio, read_audio
from keymapper.formats.wav_chunks import SampleChunks, read_embedded_hints, smpl_body
from keymapper.formats.wav_loop import (
    ENCODINGS,
    encoded_frames,
    smpl_body_of,
    smpl_with_loop,
    write_wav_copy,
)
from keymapper.measuring.centring import centred
from keymapper.measuring.join import join_audibility
from keymapper.measuring.loops import GUARD_FRAMES, bake_loop, find_loop
from keymapper.measuring.pitch import measure_pitch
from keymapper.model.instrument import SkippedFile
from keymapper.model.loop import JoinAudibility, Loop, LoopOptions, LoopVerdict
from keymapper.model.pitch import Pitch
from keymapper.progress import Progress, followed, no_progress
from keymapper.workers import Workers

MIDDLE_C = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopedFile:
    """One copy: its loop in its own frames, how audible the join is as read back."""

    file: str
    rate: int
    verdict: LoopVerdict
    join: JoinAudibility | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopedFiles:
    """What was written, in the order of the files named, and what was not."""

    looped: tuple[LoopedFile, ...]
    skipped: tuple[SkippedFile, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _LoopOrder:
    source: Path
    target: Path
    options: LoopOptions


def loop_files(
    files: Sequence[Path],
    target: Path,
    options: LoopOptions,
    *,
    replace_target: bool = False,
    workers: int | None = None,
    progress: Progress = no_progress,
) -> LoopedFiles:
    """Write copies of WAV files with a crossfaded loop and a `smpl` chunk that names it.

    Everything but the crossfade, the frames that make the loop's end safe to leave, and `smpl`
    stays bit for bit. A note that must not loop is copied as it is.

    Raises
    ------
    UsageError
        Two files have the same name, or one is a folder.
    InputError
        None of the files can be used.
    OutputError
        `target` holds one of the files, exists and `replace_target` is off, holds anything but
        earlier copies, or cannot be written.
    """
    _check_names(files)
    refuse_overlap(target, files)
    copies = {path.name for path in files}
    with (
        published_folder(target, replace=replace_target, earlier=lambda _: copies) as folder,
        Workers(workers) as pool,
    ):
        orders = [
            _LoopOrder(source=path, target=folder / path.name, options=options) for path in files
        ]
        results = followed(pool.run(_looped, orders), "Looping", len(orders), progress)
        looped = tuple(result for result in results if isinstance(result, LoopedFile))
        skipped = tuple(result for result in results if isinstance(result, SkippedFile))
        if not looped:
            raise InputError(_none_usable(skipped))
    return LoopedFiles(looped=looped, skipped=skipped)


def _none_usable(skipped: Sequence[SkippedFile]) -> str:
    first = f"{skipped[0].file}: {skipped[0].reason}"
    if len(skipped) == 1:
        return first
    return f"{first.rstrip('.')}; the other {len(skipped) - 1} files cannot be used either."


def _check_names(files: Sequence[Path]) -> None:
    seen: dict[str, Path] = {}
    for path in files:
        if path.is_dir():
            raise UsageError(f"{path}: is a folder; name the WAV files in it.")
        other = seen.setdefault(path.name.casefold(), path)
        if other is not path:
            raise UsageError(f"{path}: has the name of {other}; loop them into two folders.")


def _looped(order: _LoopOrder) -> LoopedFile | SkippedFile:
    try:
        return _write_copy(order)
    except (InputError, MeasurementError) as error:
        reason = str(error).removeprefix(f"{order.source}: ")
        return SkippedFile(file=str(order.source), reason=reason)


def _write_copy(order: _LoopOrder) -> LoopedFile:
    audio = _readable(order.source)
    pitch = measure_pitch(centred(audio.samples, audio.info.rate), audio.info.rate)
    verdict = _found(audio, pitch, order.options)
    if verdict.loop is None:
        shutil.copyfile(order.source, order.target)
        return LoopedFile(file=order.target.name, rate=audio.info.rate, verdict=verdict, join=None)
    baked = bake_loop(audio.samples, audio.info.rate, verdict, keep_release=True)
    changed = np.flatnonzero((baked != audio.samples).any(axis=1))
    first, last = (int(changed[0]), int(changed[-1]) + 1) if len(changed) else (0, 0)
    frames = encoded_frames(baked[first:last], audio.info.encoding)
    smpl = _smpl(order.source, audio.info.rate, pitch, verdict.loop)
    write_wav_copy(order.source, order.target, first, frames, smpl)
    return LoopedFile(
        file=order.target.name,
        rate=audio.info.rate,
        verdict=verdict,
        join=_join_as_read_back(audio, order.target),
    )


def _readable(path: Path) -> Audio:
    audio = read_audio(path, "float64")
    if audio.info.container != "WAV":
        raise InputError(
            f"{path}: is {audio.info.container}; loops are written into WAV files, convert it."
        )
    if audio.info.encoding not in ENCODINGS:
        raise InputError(
            f"{path}: holds {audio.info.encoding}; export it as a WAV of 16, 24 or 32 bits."
        )
    return audio


def _found(audio: Audio, pitch: Pitch, options: LoopOptions) -> LoopVerdict:
    """Find a loop that leaves room for its guard frames, and keeps the recorded levels."""
    sounding = centred(audio.samples, audio.info.rate)[: max(0, len(audio.samples) - GUARD_FRAMES)]
    verdict = find_loop(
        sounding,
        audio.info.rate,
        f0_hz=pitch.f0_hz,
        settled_frame=round((pitch.moving_from_seconds or 0.0) * audio.info.rate),
        options=replace(options, flatten=False),
    )
    return replace(verdict, calming_ratio=0.0)


def _smpl(path: Path, rate: int, pitch: Pitch, loop: Loop) -> bytes:
    before = smpl_body_of(path)
    if before is not None:
        return smpl_with_loop(before, loop)
    hints = read_embedded_hints(path)
    named = None if hints is None else hints.root_key
    root = pitch.root_key if named is None else named
    tuned = pitch.tuning_cents if root == pitch.root_key else None
    chunks = SampleChunks(
        root_key=MIDDLE_C if root is None else root,
        tuning_cents=tuned or 0.0,
        loop=loop,
        low_key=0,
        high_key=127,
        low_velocity=1,
        high_velocity=127,
        info={},
    )
    return smpl_body(chunks, rate)


def _join_as_read_back(audio: Audio, path: Path) -> JoinAudibility:
    """Judge the written file by the loop it names, against the recording."""
    hints = read_embedded_hints(path)
    loop = None if hints is None else hints.loop
    if loop is None:
        raise MeasurementError(f"{path.name}: its loop could not be read back.")
    reference = audio.samples.astype(np.float32)
    return join_audibility(reference, read_audio(path).samples, audio.info.rate, loop)
