"""Play the notes of a plan and measure what comes out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from keymapper.formats.sfz import SfzRegion
from keymapper.measuring.join import join_audibility
from keymapper.measuring.levels import loudest_windows, peak_dbfs, rms_dbfs, without_dc
from keymapper.measuring.pitch import HIGHEST_HZ, LOWEST_HZ, measure_pitch
from keymapper.model.loop import Loop
from keymapper.model.pitch import DOUBT_TEXT
from keymapper.model.proof import (
    ONE_SHOT_REASON,
    Choke,
    HandOver,
    PlayedJoin,
    PlayedNote,
    ProofLimits,
)
from keymapper.proving.clicks import cut_click_db, start_click_db
from keymapper.proving.events import NoteOff, NoteOn, PlayerSettings
from keymapper.proving.gains import crossfade_gain
from keymapper.proving.loading import load_samples
from keymapper.proving.plan import PlannedHandOver, PlannedNote
from keymapper.proving.player import Player
from keymapper.proving.streams import stream_of, unrolled
from keymapper.proving.voices import Voice

_CHOKE_HOLD_SECONDS = 0.4
_LEVEL_FROM_SECONDS = 0.1
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
    notes: tuple[PlannedNote, ...]
    hand_overs: tuple[PlannedHandOver, ...]
    settings: HearingSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class KeysHeard:
    """What an order gave."""

    notes: tuple[PlayedNote, ...]
    hand_overs: tuple[HandOver, ...]


def hear_keys(order: KeyOrder) -> KeysHeard:
    """Play and measure the notes and hand-overs of an order."""
    samples = load_samples(order.regions)
    player = Player(order.regions, samples, order.settings.player)
    return KeysHeard(
        notes=tuple(played_note(player, note, order.settings) for note in order.notes),
        hand_overs=tuple(
            played_hand_over(player, border, order.settings) for border in order.hand_overs
        ),
    )


def played_note(player: Player, note: PlannedNote, settings: HearingSettings) -> PlayedNote:
    """Play one note, hold it, let it go, and measure it."""
    rate = player.settings.rate
    hold = round(settings.hold_seconds * rate)
    voices = _voices(player, note, hold)
    sound = player.render(voices, _frames(settings))
    attacks = [voice for voice in voices if voice.start_frame < hold]
    peak = peak_dbfs(sound)
    silent = peak < settings.limits.silence_dbfs
    onset = _first_above(sound, _ONSET_BELOW_PEAK_DB)
    risen = _first_above(sound, _RISEN_BELOW_PEAK_DB)
    released = any(voice.release_frame is not None for voice in attacks)
    tuning = (
        _Tuning(reason="silent") if silent else _tuning(sound[:hold], attacks, note.key, settings)
    )
    return PlayedNote(
        key=note.key,
        velocity=note.velocity,
        turn=note.turn,
        random_ratio=note.random_ratio,
        samples=tuple(voice.region.sample for voice in attacks),
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
        release_click_db=None if silent or not released else cut_click_db(sound, hold, rate),
    )


def _voices(player: Player, note: PlannedNote, hold_frames: int) -> tuple[Voice, ...]:
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
    the whole is known from the sample.
    """
    loops = [_loop(player, voice) for voice in attacks]
    if not loops or not all(loops):
        return rms_dbfs(loudest_windows(held, player.settings.rate)[0])
    first = min(round(_LEVEL_FROM_SECONDS * player.settings.rate), len(held) // 4)
    differences = [_whole_round_db(player, voice, first, len(held)) for voice in attacks]
    return rms_dbfs(held[first:]) + sum(differences) / len(differences)


def _loop(player: Player, voice: Voice) -> tuple[int, int] | None:
    return stream_of(voice.region, player.samples[voice.region.sample]).loop


def _whole_round_db(player: Player, voice: Voice, first: int, last: int) -> float:
    """Return the level of a whole round of a voice's loop over that of what is read meanwhile."""
    sample = player.samples[voice.region.sample]
    stream = stream_of(voice.region, sample)
    step = player.step(voice.region, voice.key, voice.controllers)
    read = unrolled(stream, sample.samples, max(int(last * step), 1), None)[int(first * step) :]
    start, end = stream.loop or (0, len(sample.samples))
    return rms_dbfs(sample.samples[start:end]) - rms_dbfs(read)


def _tuning(
    sound: np.ndarray, voices: Sequence[Voice], key: int, settings: HearingSettings
) -> _Tuning:
    """Return cents against the key's pitch; a whole number of octaves is told apart."""
    if all(voice.region.loop_mode == "one_shot" for voice in voices):
        return _Tuning(reason=ONE_SHOT_REASON)
    if all(voice.region.pitch_keytrack_cents != 100.0 for voice in voices):
        return _Tuning(reason="the pitch does not follow the keys")
    target = settings.target
    cents_above_a4 = 100.0 * (key - 69) + target.cents.get(key, 0.0)
    if not LOWEST_HZ <= target.reference_hz * 2.0 ** (cents_above_a4 / 1200.0) <= HIGHEST_HZ:
        return _Tuning(reason=f"only {LOWEST_HZ:g} to {HIGHEST_HZ:g} Hz can be judged")
    pitch = measure_pitch(
        without_dc(sound),
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


def played_hand_over(
    player: Player, border: PlannedHandOver, settings: HearingSettings
) -> HandOver:
    """Play the velocities around a border and return the jump of level between the layers, in dB.

    From the step between the two velocities at the border is taken the mean of the steps inside
    the layers beside it, so that the ordinary rise of level with velocity does not count.
    """
    rate = player.settings.rate
    hold = round(settings.hold_seconds * rate)

    def level(velocity: int) -> float:
        note = PlannedNote(key=border.key, velocity=velocity)
        voices = _voices(player, note, hold)
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


@dataclass(frozen=True, slots=True, kw_only=True)
class ChokeOrder:
    """A key and another that turns it off."""

    regions: tuple[SfzRegion, ...]
    key: int
    by_key: int
    settings: PlayerSettings


def hear_choke(order: ChokeOrder) -> Choke:
    """Play a key, choke it by the other, and measure the click of the cut."""
    player = Player(order.regions, load_samples(order.regions), order.settings)
    at = round(_CHOKE_HOLD_SECONDS * order.settings.rate)
    events = (
        NoteOn(at_frame=0, key=order.key, velocity=127),
        NoteOn(at_frame=at, key=order.by_key, velocity=127),
    )
    sound = player.render(player.voices(events), at + order.settings.rate // 4)
    return Choke(
        key=order.key, by_key=order.by_key, click_db=cut_click_db(sound, at, order.settings.rate)
    )


def hear_join(region: SfzRegion) -> PlayedJoin | None:
    """Return how audible the loop of a region is, as it is played; None without a loop.

    The sample is its own reference: what the note does by itself anywhere in its sustain is no
    fault of the join.
    """
    sample = load_samples((region,))[region.sample]
    loop = stream_of(region, sample).loop
    if loop is None:
        return None
    audibility = join_audibility(
        sample.samples,
        sample.samples,
        sample.rate,
        Loop(start_frame=loop[0], end_frame=loop[1]),
    )
    return PlayedJoin(
        sample=region.sample,
        loop_start_frame=loop[0],
        loop_end_frame=loop[1],
        audibility=audibility,
    )
