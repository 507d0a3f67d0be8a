"""A small offline player: regions and events in, sound out, by the rules of SFZ.

Played are: sample, keys and velocities, pitch_keycenter, pitch_keytrack, tune, transpose, volume,
amplitude, pan, offset, end, loop modes and points, direction, delay, ampeg_*, amp_veltrack,
amp_velcurve_N, amp_keytrack, crossfades, seq_*, lorand and hirand, group, off_by, off_mode,
trigger, rt_decay, locc and hicc, sw_last, sw_lolast and sw_hilast, sw_down, sw_up, low-pass
filters, and controllers on all of these. Controllers are read when a note starts. Whatever a region
has beyond that is in :func:`unplayed_opcodes`.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from keymapper.formats.sfz import SfzEnvelope, SfzRegion
from keymapper.proving.articulations import SWITCH_OPCODES
from keymapper.proving.envelopes import held_envelope, release_fade
from keymapper.proving.events import Event, PlayerSample, PlayerSettings
from keymapper.proving.filters import PLAYED_FILTERS, filtered
from keymapper.proving.gains import modulation, pan_gains, voice_gain
from keymapper.proving.interpolation import resampled
from keymapper.proving.streams import stream_of, unrolled
from keymapper.proving.voices import Voice, plan_voices

FAST_OFF_SECONDS = 0.006
_PASSED_OVER = frozenset(
    (
        *("region_label", "group_label", "master_label", "global_label", "md5", "sw_label"),
        *SWITCH_OPCODES,
    )
)
_MARGIN_FRAMES = 2048  # read beyond the end, where the low-pass for high speeds rings
_KEPT_FRAMES = 4_000_000
_MODULATED_TIMES = (
    "delay_seconds",
    "attack_seconds",
    "hold_seconds",
    "decay_seconds",
    "sustain_percent",
    "release_seconds",
)


@dataclass(slots=True)
class Player:
    """Plays one instrument; keeps the last resampled sounds, which several velocities share."""

    regions: Sequence[SfzRegion]
    samples: Mapping[str, PlayerSample]
    settings: PlayerSettings = field(default_factory=PlayerSettings)
    _kept: OrderedDict[object, np.ndarray] = field(default_factory=OrderedDict)

    def voices(self, events: Sequence[Event], first_turn: int = 0) -> tuple[Voice, ...]:
        """Return what `events` start; every round robin has counted `first_turn` notes before."""
        return plan_voices(self.regions, self.samples, events, self.settings, first_turn)

    def render(self, voices: Sequence[Voice], frames: int) -> np.ndarray:
        """Return the first `frames` frames of some voices together.

        Returns float32, shape (frames, 2), full scale 1.0; not limited.
        """
        output = np.zeros((frames, 2), np.float32)
        for voice in voices:
            if voice.start_frame < frames:
                self._add(voice, output[voice.start_frame :])
        return output

    def _add(self, voice: Voice, output: np.ndarray) -> None:
        envelope = self._envelope(voice, len(output))
        sound = self._source(voice, len(envelope))
        if not len(sound):
            return
        region, settings = voice.region, self.settings
        if region.filter is not None:
            cents = (
                region.filter.keytrack_cents * (voice.key - region.filter.keycenter)
                + region.filter.veltrack_cents * voice.velocity / 127.0
                + modulation(region, "cutoff", voice.controllers, settings)
            )
            resonance = modulation(region, "resonance", voice.controllers, settings)
            sound = filtered(
                sound,
                settings.rate,
                region.filter.kind,
                region.filter.cutoff_hz * 2.0 ** (cents / 1200.0),
                region.filter.resonance_db + resonance,
            )
        gain = voice_gain(region, voice.key, voice.velocity, voice.controllers, settings)
        gain *= 10.0 ** (-region.rt_decay_db * voice.held_seconds / 20.0)
        shaped = sound * (gain * envelope[: len(sound)]).astype(np.float32)[:, np.newaxis]
        pan = region.pan_percent + modulation(region, "pan", voice.controllers, settings)
        output[: len(shaped)] += shaped * np.array(pan_gains(pan), np.float32)

    def _source(self, voice: Voice, frames: int) -> np.ndarray:
        """Return the sample at the speed of the note, (frames or fewer, 1 or 2 channels)."""
        region = voice.region
        sample = self.samples[region.sample]
        step = self.step(region, voice.key, voice.controllers)
        stream = stream_of(region, sample)
        released_at = None
        if stream.sustains and voice.release_frame is not None:
            released_at = (voice.release_frame - voice.start_frame) * step
        key = (region.sample, stream, step, released_at, frames)
        kept = self._kept.get(key)
        if kept is None:
            wanted = int(step * frames) + _MARGIN_FRAMES
            source = unrolled(stream, sample.samples, wanted, released_at)
            length = min(frames, -int(-len(source) // step))
            kept = self._kept[key] = resampled(source, 0.0, step, length)
            while sum(map(len, self._kept.values())) > _KEPT_FRAMES:
                self._kept.popitem(last=False)
        return kept

    def step(self, region: SfzRegion, key: int, controllers: Mapping[int, float]) -> float:
        """Return how many frames of the sample pass for each frame of the output."""
        sample = self.samples[region.sample]
        center = region.pitch_keycenter
        if region.keycenter_from_sample and sample.root_key is not None:
            center = sample.root_key
        cents = (
            region.tune_cents
            + 100.0 * region.transpose_semitones
            + region.pitch_keytrack_cents * (key - center)
            + modulation(region, "tune", controllers, self.settings)
        )
        return float(sample.rate / self.settings.rate * 2.0 ** (cents / 1200.0))

    def _envelope(self, voice: Voice, frames: int) -> np.ndarray:
        """Return the loudness of the voice, as long as it can sound within `frames`."""
        rate, fall_db = self.settings.rate, self.settings.fall_db
        envelope = self._modulated_envelope(voice)
        ends = [
            (max(0, at - voice.start_frame), round(seconds * rate))
            for at, seconds in (
                (voice.release_frame, envelope.release_seconds),
                (voice.choke_frame, self._off_seconds(voice.region, envelope)),
            )
            if at is not None
        ]
        last = min([frames, *(begin + length for begin, length in ends)])
        level = held_envelope(envelope, rate, last, fall_db)
        for number, (begin, length) in enumerate(sorted(ends)):
            if begin < last:
                fall = level[begin] * release_fade(length, fall_db)[: last - begin]
                level[begin:] = fall if number == 0 else np.minimum(level[begin:], fall)
        return level

    def _modulated_envelope(self, voice: Voice) -> SfzEnvelope:
        envelope = voice.region.envelope
        changes = {}
        for name in _MODULATED_TIMES:
            opcode = "ampeg_" + name.split("_")[0]
            change = modulation(voice.region, opcode, voice.controllers, self.settings)
            if change:
                changes[name] = max(0.0, getattr(envelope, name) + change)
        return replace(envelope, **changes) if changes else envelope

    def _off_seconds(self, region: SfzRegion, envelope: SfzEnvelope) -> float:
        if region.off_mode == "normal":
            return envelope.release_seconds
        return FAST_OFF_SECONDS if region.off_mode == "fast" else region.off_time_seconds


def unplayed_opcodes(region: SfzRegion) -> tuple[str, ...]:
    """Return the opcodes of `region` that would change its sound and that this player ignores."""
    names = [name for name, _ in region.other_opcodes if name not in _PASSED_OVER]
    if region.loop_crossfade_seconds > 0:
        names.append("loop_crossfade")
    if region.filter is not None and region.filter.kind not in PLAYED_FILTERS:
        names.append(f"fil_type={region.filter.kind}")
    if region.is_generator:
        names.append(f"sample={region.sample}")
    return tuple(names)


def render_events(
    regions: Sequence[SfzRegion],
    samples: Mapping[str, PlayerSample],
    events: Sequence[Event],
    frames: int,
    settings: PlayerSettings | None = None,
) -> np.ndarray:
    """Return what `events` sound like, float32, shape (frames, 2), full scale 1.0; not limited.

    samples : by the `sample` of each region; regions whose sample is not there are silent.
    """
    player = Player(regions, samples, settings or PlayerSettings())
    return player.render(player.voices(events), frames)
