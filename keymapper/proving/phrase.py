"""A short phrase played on an instrument, for listening."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from keymapper.errors import InputError, OutputError, UsageError
from keymapper.exporting.quantise import quantised
from keymapper.formats.sfz import SfzReading
from keymapper.model.keys import key_number
from keymapper.proving.events import Event, NoteOff, NoteOn
from keymapper.proving.loading import load_samples
from keymapper.proving.player import render_events
from keymapper.proving.proof import player_settings

PEAK_LIMIT_DBFS = -6.0
_STEP_SECONDS = 0.6
_LAST_SECONDS = 2.0
_TAIL_SECONDS = 2.0
_VELOCITY = 96
_MAX_CHORDS = 256


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlayedPhrase:
    """What was played: float32, shape (frames, 2), and by how much it was turned down."""

    samples: np.ndarray
    rate: int
    gain_db: float


def phrase_chords(text: str) -> tuple[tuple[int, ...], ...]:
    """Return the keys of a phrase such as "C3 E3 G3" or "C3+E3+G3 F3", with 60 as C4.

    Raises
    ------
    UsageError
        If a word is no key, or the phrase is empty or very long.
    """
    chords = []
    for word in text.split():
        keys = [key_number(name) for name in word.split("+")]
        if any(key is None for key in keys):
            raise UsageError(
                f"{word!r} is no key; write keys such as C3, F#4 or 60, chords as C3+E3."
            )
        chords.append(tuple(key for key in keys if key is not None))
    if not 1 <= len(chords) <= _MAX_CHORDS:
        raise UsageError(f"a phrase has 1 to {_MAX_CHORDS} notes or chords, not {len(chords)}.")
    return tuple(chords)


def play_phrase(reading: SfzReading, text: str) -> PlayedPhrase:
    """Play a phrase and turn it down to a peak of -6 dBFS if it is louder.

    Raises
    ------
    UsageError
        If the phrase cannot be read.
    InputError
        If a sample is not audio, or nothing of the phrase sounds.
    """
    chords = phrase_chords(text)
    samples = load_samples(reading.regions)
    settings = player_settings(reading, (sample.rate for sample in samples.values()))
    events, frames = _events(chords, settings.rate)
    sound = render_events(reading.regions, samples, events, frames, settings)
    peak = float(np.abs(sound).max())
    if peak == 0.0:
        raise InputError(
            f"{reading.path}: nothing sounds on these keys; play keys it is mapped to."
        )
    limit = 10.0 ** (PEAK_LIMIT_DBFS / 20.0)
    gain = min(1.0, limit / peak)
    return PlayedPhrase(
        samples=sound * np.float32(gain),
        rate=settings.rate,
        gain_db=float(20.0 * np.log10(gain)),
    )


def write_phrase(phrase: PlayedPhrase, path: Path) -> None:
    """Write a phrase as a WAV file of 24 bits.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    try:
        pcm = quantised(phrase.samples, 24, dither=False) << 8
        soundfile.write(path, pcm, phrase.rate, subtype="PCM_24", format="WAV")
    except (OSError, soundfile.LibsndfileError) as error:
        raise OutputError(f"{path}: cannot be written; choose another --output.") from error


def _events(chords: Sequence[tuple[int, ...]], rate: int) -> tuple[list[Event], int]:
    step, last = round(_STEP_SECONDS * rate), round(_LAST_SECONDS * rate)
    events: list[Event] = []
    for number, keys in enumerate(chords):
        begin = number * step
        end = begin + (last if number == len(chords) - 1 else step)
        for key in keys:
            events.append(NoteOn(at_frame=begin, key=key, velocity=_VELOCITY))
            events.append(NoteOff(at_frame=end, key=key))
    return events, (len(chords) - 1) * step + last + round(_TAIL_SECONDS * rate)
