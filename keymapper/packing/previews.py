"""Hear an instrument before loading it: a phrase played by the proof's player, and levelled."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import soundfile

from keymapper.channels import frame_peaks
from keymapper.errors import OutputError
from keymapper.exporting.quantise import quantised
from keymapper.formats.audio_file import read_audio, read_audio_info
from keymapper.formats.midi_file import read_midi_notes
from keymapper.formats.ogg_pages import with_serial
from keymapper.formats.sfz import SfzReading, SfzRegion, read_sfz
from keymapper.formats.wav_chunks import read_embedded_hints
from keymapper.measuring.loudness import integrated_lufs, true_peak_dbtp
from keymapper.model.pack import InstrumentFacts, PackFinding, PreviewChoice, PreviewFacts
from keymapper.model.sound import SILENCE_DBFS
from keymapper.packing.findings import pack_finding
from keymapper.packing.instrument import ReadyInstrument
from keymapper.packing.levelling import faded, levelled, medley
from keymapper.packing.phrases import Phrase, PhraseNote, composed_phrase, phrase_kind
from keymapper.proving.events import Event, NoteOff, NoteOn, PlayerSample
from keymapper.proving.loading import load_samples, loop_within
from keymapper.proving.plan import attack_regions, mapped_keys
from keymapper.proving.player import Player
from keymapper.proving.proof import player_settings

RATE = 48_000
SUFFIXES = (".flac", ".ogg")
_LONGEST_SECONDS = 60.0
_TAIL_SECONDS = 2.5
_QUIET_DB = -60.0
_FADE_IN_SECONDS, _FADE_OUT_SECONDS = 0.005, 0.6
_MEDLEY_SECONDS = 45.0
_PIECE_SECONDS, _PIECE_OVERLAP = 6.0, 0.8
_DITHERED_SECONDS = 10
_OGG_SERIAL = 0x6B6D
_OGG_QUALITY = 0.3
"""Of libsndfile's scale from 1 (smallest) to 0 (best): about 190 kbit/s."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PreviewOrder:
    """One instrument to be heard: the work of one process."""

    sfz: Path
    facts: InstrumentFacts
    choice: PreviewChoice
    midi: Path | None
    target: Path
    """Where the files go, without suffix."""
    tags: Mapping[str, str]
    """title, artist, album, copyright, license, date."""


def write_preview(order: PreviewOrder) -> PreviewFacts | None:
    """Write a preview as FLAC and OGG; return what was measured before levelling.

    None where nothing is to be played, or nothing of it sounds.

    Raises
    ------
    InputError
        A sample or the MIDI file cannot be read.
    OutputError
        A file cannot be written.
    """
    reading = read_sfz(order.sfz)
    phrase = _phrase(order, reading.regions)
    if phrase is None:
        return None
    sound = played(reading, phrase)
    if not len(sound):
        return None
    facts = measured(phrase.kind, sound)
    finished = faded(levelled(sound, RATE), RATE, _FADE_IN_SECONDS, _FADE_OUT_SECONDS)
    write_encoded(finished, order.target, order.tags)
    return facts


def silent_findings(
    instruments: Sequence[ReadyInstrument], previews: Sequence[PreviewFacts | None]
) -> list[PackFinding]:
    """Return a finding for every instrument whose preview was wanted and is silent."""
    return [
        pack_finding("preview-silent", one.name, "nothing of its preview sounds")
        for one, preview in zip(instruments, previews, strict=True)
        if preview is None and (one.declared.preview != "none" or one.declared.midi is not None)
    ]


def write_medley(previews: Sequence[Path], target: Path, tags: Mapping[str, str]) -> None:
    """Write the medley of some previews (FLAC files), in their order.

    Six seconds of each, or less where there are many: it is never longer than about 45 s.
    """
    seconds = min(_PIECE_SECONDS, _MEDLEY_SECONDS / len(previews))
    overlap = min(_PIECE_OVERLAP, seconds / 4)
    frames = (0, round((seconds + overlap) * RATE) + 1)
    sounds = [read_audio(path, "float32", frames).samples for path in previews]
    joined = medley(sounds, RATE, seconds, overlap)
    finished = faded(levelled(joined, RATE), RATE, _FADE_IN_SECONDS, _FADE_OUT_SECONDS)
    write_encoded(finished, target, tags)


def _phrase(order: PreviewOrder, regions: Sequence[SfzRegion]) -> Phrase | None:
    if order.midi is not None:
        notes = [
            PhraseNote(
                on_seconds=one.on_seconds,
                off_seconds=one.off_seconds,
                key=one.key,
                velocity=one.velocity,
            )
            for one in read_midi_notes(order.midi)
        ]
        start = notes[0].on_seconds
        moved = [
            replace(one, on_seconds=one.on_seconds - start, off_seconds=one.off_seconds - start)
            for one in notes
        ]
        return Phrase(kind="midi", notes=tuple(moved))
    keys = [key for key in mapped_keys(regions) if attack_regions(regions, key)]
    if order.choice == "none" or not keys:
        return None
    kind = phrase_kind(order.facts) if order.choice == "auto" else order.choice
    return composed_phrase(kind, keys)


def played(reading: SfzReading, phrase: Phrase) -> np.ndarray:
    """Return what a phrase sounds like on an instrument, float32, shape (frames, 2).

    At most a minute; the silence after it is cut off. One sample after the other is decoded, with
    all its voices, so that memory does not grow with the instrument.
    """
    notes = [note for note in phrase.notes if note.on_seconds < _LONGEST_SECONDS]
    regions = [region for region in reading.regions if any(_reaches(region, n) for n in notes)]
    settings = replace(player_settings(reading, ()), rate=RATE)
    undecoded = {
        region.sample: _undecoded(region.sample_path)
        for region in regions
        if region.sample_path is not None
    }
    voices = Player(regions, undecoded, settings).voices(_events(notes))
    last = max(note.off_seconds for note in notes)
    sound = np.zeros((round(min(_LONGEST_SECONDS, last + _TAIL_SECONDS) * RATE), 2), np.float32)
    for sample in dict.fromkeys(voice.region.sample for voice in voices):
        own = [voice for voice in voices if voice.region.sample == sample]
        player = Player(regions, load_samples([own[0].region]), settings)
        sound += player.render(own, len(sound))
    return _without_silence(sound)


def _undecoded(path: Path) -> PlayerSample:
    """Return a sample whose audio takes no memory: enough to tell when its voices start and end."""
    info = read_audio_info(path)
    return PlayerSample(
        samples=np.broadcast_to(np.float32(0), (info.frames, info.channels)),
        rate=info.rate,
        loop=loop_within(read_embedded_hints(path), info.frames),
    )


def _reaches(region: SfzRegion, note: PhraseNote) -> bool:
    return (
        region.lokey <= note.key <= region.hikey and region.lovel <= note.velocity <= region.hivel
    )


def _events(notes: Sequence[PhraseNote]) -> list[Event]:
    """Return note-ons and note-offs in order; at one moment keys go up first."""
    timed: list[tuple[int, int, int, Event]] = []
    for note in notes:
        on = round(note.on_seconds * RATE)
        off = max(on + 1, round(note.off_seconds * RATE))
        strike = NoteOn(at_frame=on, key=note.key, velocity=note.velocity)
        timed.append((on, 1, note.key, strike))
        timed.append((off, 0, note.key, NoteOff(at_frame=off, key=note.key)))
    return [event for *_, event in sorted(timed, key=lambda one: one[:3])]


def _without_silence(sound: np.ndarray) -> np.ndarray:
    level = frame_peaks(sound)
    heard = np.flatnonzero(level > level.max(initial=0.0) * 10 ** (_QUIET_DB / 20))
    return sound[: heard[-1] + 1] if len(heard) else sound[:0]


def measured(kind: str, sound: np.ndarray) -> PreviewFacts:
    """Return loudness, peak, brightness and width of what was played."""
    loudness = integrated_lufs(sound, RATE)
    middle = sound.sum(axis=1, dtype=np.float64)
    side = np.subtract(sound[:, 0], sound[:, 1], dtype=np.float64)
    power = float(middle @ middle + side @ side)
    return PreviewFacts(
        kind=kind,
        seconds=round(len(sound) / RATE, 3),
        loudness_lufs=round(SILENCE_DBFS if loudness is None else loudness, 2),
        true_peak_dbtp=round(true_peak_dbtp(sound), 2),
        brightness_hz=round(_brightness_hz(middle), 1),
        width_percent=round(100.0 * float(side @ side) / power, 1) if power else 0.0,
    )


def _brightness_hz(sound: np.ndarray) -> float:
    """Return the centre of gravity of the power spectrum, in Hz; 0 for silence."""
    from scipy.signal import welch

    frequencies, power = welch(sound, RATE, nperseg=min(4096, len(sound)))
    total = float(power.sum())
    return float(frequencies @ power) / total if total else 0.0


def write_encoded(sound: np.ndarray, target: Path, tags: Mapping[str, str]) -> None:
    """Write a sound as TARGET.flac (16 bits, dithered) and TARGET.ogg, the same bytes every time.

    Raises
    ------
    OutputError
        A file cannot be written.
    """
    block = _DITHERED_SECONDS * RATE
    pcm = np.concatenate(
        [
            quantised(sound[first : first + block], 16, dither=True).astype(np.int16)
            for first in range(0, len(sound), block)
        ]
    )
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        for suffix in SUFFIXES:
            content = _encoded(pcm, suffix, tags)
            target.with_name(target.name + suffix).write_bytes(content)
    except (OSError, soundfile.LibsndfileError) as error:
        raise OutputError(f"{target}: cannot be written ({error}).") from error


def _encoded(pcm: np.ndarray, suffix: str, tags: Mapping[str, str]) -> bytes:
    buffer = io.BytesIO()
    how = ("PCM_16", "FLAC") if suffix == ".flac" else ("VORBIS", "OGG")
    quality = None if suffix == ".flac" else _OGG_QUALITY
    with soundfile.SoundFile(
        buffer, "w", RATE, pcm.shape[1], how[0], format=how[1], compression_level=quality
    ) as file:
        for name, text in tags.items():
            setattr(file, name, text)
        for first in range(0, len(pcm), RATE):  # one long write overruns the encoder's stack
            file.write(pcm[first : first + RATE])
    content = buffer.getvalue()
    return content if suffix == ".flac" else with_serial(content, _OGG_SERIAL)
