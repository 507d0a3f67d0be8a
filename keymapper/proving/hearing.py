"""Play the notes of a plan and measure what comes out."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from keymapper.formats.sfz import SfzRegion
from keymapper.measuring.centring import centred
from keymapper.measuring.levels import loudest_windows, peak_dbfs, rms_dbfs
from keymapper.measuring.pitch import HIGHEST_HZ, LOWEST_HZ, measure_pitch
from keymapper.model.loop import Loop
from keymapper.model.pitch import DOUBT_TEXT
from keymapper.model.proof import (
    ONE_SHOT_REASON,
    HandOver,
    PlayedNote,
    ProofLimits,
)
from keymapper.proving.clicks import cut_click_db, start_click_db
from keymapper.proving.events import NoteOff, NoteOn, PlayerSettings
from keymapper.proving.gains import crossfade_gain, voice_gain
from keymapper.proving.loading import load_samples
from keymapper.proving.plan import HandOverToPlay, NoteToPlay
from keymapper.proving.player import Player
from keymapper.proving.streams import stream_of, unrolled
from keymapper.proving.voices import Voice

_LEVEL_FROM_SECONDS = 0.1
_BEATING_SECONDS = 4.0
_ONSET_BELOW_PEAK_DB = 60.0
_RISEN_BELOW_PEAK_DB = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TuningTarget:
    """Where keys are meant to lie: `cents` above equal temperament at `reference_hz`, else 0."""

    reference_hz: float = 440.0
    cents: Mapping[int, float] = field(default_factory=dict)
    spread_cents: Mapping[int, float] = field(default_factory=dict)
    """How far above that the highest tuned of several layers is meant to lie; else 0."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HearingSettings:
    """How notes are held and what they are measured against."""

    player: PlayerSettings
    target: TuningTarget
    hold_seconds: float
    tail_seconds: float
    limits: ProofLimits


@dataclass(frozen=True, slots=True, kw_only=True)
class _Tuning:
    cents: float | None = None
    error_cents: float | None = None
    movement_cents: float = 0.0
    octaves: int = 0
    reason: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyOrder:
    """Notes and hand-overs of neighbouring keys, to be played in one go."""

    regions: tuple[SfzRegion, ...]
    notes: tuple[NoteToPlay, ...]
    hand_overs: tuple[HandOverToPlay, ...]
    settings: HearingSettings
    articulation: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeysHeard:
    """What an order gave."""

    notes: tuple[PlayedNote, ...]
    hand_overs: tuple[HandOver, ...]
    started: frozenset[SfzRegion]
    """The regions that sounded, be it at a note-off."""


def hear_keys(order: KeyOrder) -> KeysHeard:
    """Play and measure the notes and hand-overs of an order."""
    samples = load_samples(order.regions)
    player = Player(order.regions, samples, order.settings.player)
    started: set[SfzRegion] = set()
    notes = []
    for planned in order.notes:
        voices = _voices(player, planned, order.settings)
        started.update(voice.region for voice in voices)
        note = played_note(player, planned, voices, order.settings)
        notes.append(replace(note, articulation=order.articulation))
    hand_overs = [played_hand_over(player, border, order.settings) for border in order.hand_overs]
    return KeysHeard(
        notes=tuple(notes),
        hand_overs=tuple(replace(one, articulation=order.articulation) for one in hand_overs),
        started=frozenset(started),
    )


def played_note(
    player: Player, note: NoteToPlay, voices: Sequence[Voice], settings: HearingSettings
) -> PlayedNote:
    """Measure one note and what it starts, held and let go."""
    rate = player.settings.rate
    hold = round(settings.hold_seconds * rate)
    sound = player.render(voices, _frames(settings))
    attacks = [voice for voice in voices if voice.start_frame < hold]
    peak = peak_dbfs(sound)
    silent = peak < settings.limits.silence_dbfs
    onset = _first_above(sound, _ONSET_BELOW_PEAK_DB)
    risen = _first_above(sound, _RISEN_BELOW_PEAK_DB)
    released = any(voice.release_frame is not None for voice in attacks)
    let_go = sound  # without what sets in then: the onset of a release sample is no click
    if released and len(attacks) < len(voices):
        let_go = player.render(attacks, len(sound))
    tuning = (
        _Tuning(reason="silent") if silent else _tuning(sound[:hold], attacks, note.key, settings)
    )
    return PlayedNote(
        key=note.key,
        velocity=note.velocity,
        turn=note.turn,
        random_ratio=note.random_ratio,
        samples=tuple(voice.region.sample for voice in attacks),
        root_keys=tuple(voice.region.pitch_keycenter for voice in attacks),
        zones_sounding=sum(_share(voice) for voice in attacks),
        level_dbfs=_level_dbfs(player, attacks, sound[:hold]),
        peak_dbfs=peak,
        tuning_cents=tuning.cents,
        tuning_error_cents=tuning.error_cents,
        movement_cents=tuning.movement_cents,
        octaves=tuning.octaves,
        not_tuned_reason=tuning.reason,
        onset_seconds=None if silent else onset / rate,
        rise_seconds=0.0 if silent else (risen - onset) / rate,
        start_click_db=None if silent else start_click_db(sound, _first_frame(sound), rate),
        release_click_db=None if silent or not released else cut_click_db(let_go, hold, rate),
    )


def _voices(player: Player, note: NoteToPlay, settings: HearingSettings) -> tuple[Voice, ...]:
    hold_frames = round(settings.hold_seconds * player.settings.rate)
    events = (
        NoteOn(at_frame=0, key=note.key, velocity=note.velocity, random_ratio=note.random_ratio),
        NoteOff(at_frame=hold_frames, key=note.key),
    )
    return player.voices(events, note.turn)


def _share(voice: Voice) -> float:
    """Return how much of a whole zone a voice is: the power or gain its crossfades leave it."""
    share = 1.0
    for fade, value in (
        (voice.region.velocity_crossfade, voice.velocity),
        (voice.region.key_crossfade, voice.key),
    ):
        share *= crossfade_gain(fade, value) ** (2 if fade.curve == "power" else 1)
    return share


def _frames(settings: HearingSettings) -> int:
    return round((settings.hold_seconds + settings.tail_seconds) * settings.player.rate)


def _first_frame(sound: np.ndarray) -> int:
    return int(np.argmax(sound.ravel() != 0) // sound.shape[1])


def _first_above(sound: np.ndarray, below_peak_db: float) -> int:
    """Return the first frame within some dB of the peak; nothing but the note is in a proof."""
    threshold = float(np.abs(sound).max(initial=0.0)) * 10.0 ** (-below_peak_db / 20.0)
    return int(np.argmax(np.abs(sound).ravel() >= threshold) // sound.shape[1])


def _level_dbfs(player: Player, attacks: Sequence[Voice], held: np.ndarray) -> float:
    """Return how loud a held note is: as it goes on in its loop, else its loudest 400 ms.

    What is held is seldom a whole round of a slowly beating loop; by how much it is louder than
    the whole is known from the samples, each counted by the power it sounds with. Zones that sound
    together beat with each other, slowly where they are nearly in tune: these are held longer.
    """
    loops = [_loop(player, voice) for voice in attacks]
    if not loops or not all(loops):
        return rms_dbfs(loudest_windows(held, player.settings.rate)[0])
    first = min(round(_LEVEL_FROM_SECONDS * player.settings.rate), len(held) // 4)
    if len(attacks) > 1:
        frames = max(len(held), round(_BEATING_SECONDS * player.settings.rate))
        held = player.render([replace(voice, release_frame=None) for voice in attacks], frames)
    powers = [_powers(player, voice, first, len(held)) for voice in attacks]
    whole, read = (sum(each) for each in zip(*powers, strict=True))
    level = rms_dbfs(held[first:])
    return level + 10.0 * math.log10(whole / read) if whole > 0.0 and read > 0.0 else level


def _loop(player: Player, voice: Voice) -> Loop | None:
    return stream_of(voice.region, player.samples[voice.region.sample]).loop


def _powers(player: Player, voice: Voice, first: int, last: int) -> tuple[float, float]:
    """Return the power of a whole round of a voice's loop and that of what is read meanwhile."""
    sample = player.samples[voice.region.sample]
    stream = stream_of(voice.region, sample)
    step = player.step(voice.region, voice.key, voice.controllers)
    read = unrolled(stream, sample.samples, max(int(last * step), 1), None)[int(first * step) :]
    loop = stream.loop or Loop(start_frame=0, end_frame=len(sample.samples))
    whole = sample.samples[loop.start_frame : loop.end_frame]
    gain = voice_gain(voice.region, voice.key, voice.velocity, voice.controllers, player.settings)
    return gain**2 * _power(whole), gain**2 * _power(read)


def _power(samples: np.ndarray) -> float:
    return float(10.0 ** (rms_dbfs(samples) / 10.0))


def _tuning(
    sound: np.ndarray, voices: Sequence[Voice], key: int, settings: HearingSettings
) -> _Tuning:
    """Return cents against the key's pitch; a whole number of octaves is told apart."""
    if all(voice.region.loop_mode == "one_shot" for voice in voices):
        return _Tuning(reason=ONE_SHOT_REASON)
    if not any(voice.region.follows_keys for voice in voices):
        return _Tuning(reason="the pitch does not follow the keys")
    target = settings.target
    cents_above_a4 = 100.0 * (key - 69) + target.cents.get(key, 0.0)
    if not LOWEST_HZ <= target.reference_hz * 2.0 ** (cents_above_a4 / 1200.0) <= HIGHEST_HZ:
        return _Tuning(reason=f"only {LOWEST_HZ:g} to {HIGHEST_HZ:g} Hz can be judged")
    pitch = measure_pitch(
        centred(sound, settings.player.rate),
        settings.player.rate,
        reference_hz=target.reference_hz,
    )
    if pitch.doubtful or pitch.root_key is None or pitch.tuning_cents is None:
        return _Tuning(reason="; ".join(DOUBT_TEXT[word] for word in pitch.doubts))
    cents = 100.0 * (pitch.root_key - key) + pitch.tuning_cents
    cents -= target.cents.get(key, 0.0)
    octaves = round(cents / 1200.0)
    cents -= 1200.0 * octaves
    return _Tuning(
        cents=cents - min(max(cents, 0.0), target.spread_cents.get(key, 0.0)),
        error_cents=pitch.tuning_error_cents,
        movement_cents=(pitch.detuning_width_cents or 0.0) / 2.0
        + (pitch.vibrato_depth_cents or 0.0),
        octaves=octaves,
    )


def played_hand_over(player: Player, border: HandOverToPlay, settings: HearingSettings) -> HandOver:
    """Play the velocities around a border and return the jump of level between the layers, in dB.

    From the step between the two velocities at the border is taken the mean of the steps inside
    the layers beside it, so that the ordinary rise of level with velocity does not count.
    """
    rate = player.settings.rate
    hold = round(settings.hold_seconds * rate)

    def level(velocity: int) -> float:
        note = NoteToPlay(key=border.key, velocity=velocity)
        voices = _voices(player, note, settings)
        attacks = [voice for voice in voices if voice.start_frame < hold]
        return _level_dbfs(player, attacks, player.render(voices, hold))

    lower, upper = level(border.velocity), level(border.velocity + 1)
    own = []
    if border.velocity - 1 >= max(1, border.lowest):
        own.append(lower - level(border.velocity - 1))
    if border.velocity + 2 <= border.highest:
        own.append(level(border.velocity + 2) - upper)
    expected = sum(own) / len(own) if own else 0.0
    return HandOver(key=border.key, velocity=border.velocity, jump_db=upper - lower - expected)
