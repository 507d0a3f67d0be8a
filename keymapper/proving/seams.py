"""Where sounds are cut off or joined to themselves: chokes, loops, ends."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import numpy as np

from keymapper.formats.sfz import SfzRegion
from keymapper.measuring.cycle import is_cycle
from keymapper.measuring.join import join_audibility
from keymapper.measuring.levels import peak_dbfs
from keymapper.model.instrument import SampleFile
from keymapper.model.loop import JoinAudibility, Loop
from keymapper.model.proof import Choke, PlayedEnd, PlayedJoin
from keymapper.proving.clicks import FLOOR_DB, cut_click_db
from keymapper.proving.envelopes import held_envelope
from keymapper.proving.events import NoteOn, PlayerSettings
from keymapper.proving.loading import load_samples
from keymapper.proving.player import Player
from keymapper.proving.streams import stream_of, unrolled

_CHOKE_HOLD_SECONDS = 0.4
_DIED_AWAY_DB = 60.0
_TAIL_SECONDS = 0.2
_LAST_SECONDS = 0.005
_ENVELOPE_RATE = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class ChokeOrder:
    """A key and another that turns it off."""

    regions: tuple[SfzRegion, ...]
    key: int
    by_key: int
    settings: PlayerSettings
    articulation: str = ""


def hear_choke(order: ChokeOrder) -> Choke:
    """Play a key, choke it by the other, and measure the click of the cut.

    What is cut is heard alone: the choking sound starts in the same moment, and its attack is no
    click.
    """
    player = Player(order.regions, load_samples(order.regions), order.settings)
    at = round(_CHOKE_HOLD_SECONDS * order.settings.rate)
    events = (
        NoteOn(at_frame=0, key=order.key, velocity=127),
        NoteOn(at_frame=at, key=order.by_key, velocity=127),
    )
    cut = [voice for voice in player.voices(events) if voice.choke_frame is not None]
    sound = player.render(cut, at + order.settings.rate // 4)
    return Choke(
        key=order.key,
        by_key=order.by_key,
        click_db=cut_click_db(sound, at, order.settings.rate),
        articulation=order.articulation,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class JoinOrder:
    """A region whose loop is to be heard, and the sample as the manifest beside it states it."""

    region: SfzRegion
    stated: SampleFile | None


def hear_join(order: JoinOrder) -> PlayedJoin | None:
    """Return how audible the loop of a region is, as it is played; None without a loop.

    The sample is its own reference: what the note does by itself anywhere in its sustain is no
    fault of the join. A build has the whole recording to compare with: where the file is still
    what it wrote, its figure stands. The cycle of a wave has no join of its own.
    """
    region = order.region
    sample = load_samples((region,))[region.sample]
    loop = stream_of(region, sample).loop
    if loop is None:
        return None
    audibility = _stated_join(order, loop)
    if audibility is None and is_cycle(loop, len(sample.samples), sample.rate):
        return None
    return PlayedJoin(
        sample=region.sample,
        loop_start_frame=loop.start_frame,
        loop_end_frame=loop.end_frame,
        audibility=audibility or join_audibility(sample.samples, sample.samples, sample.rate, loop),
    )


def _stated_join(order: JoinOrder, loop: Loop) -> JoinAudibility | None:
    stated, path = order.stated, order.region.sample_path
    if stated is None or path is None or stated.loop != loop:
        return None
    with path.open("rb") as content:
        is_same = hashlib.file_digest(content, "sha256").hexdigest() == stated.sha256
    return stated.join if is_same else None


def hear_end(region: SfzRegion) -> PlayedEnd | None:
    """Return how much of a click it is when a region ends by itself; None where it loops.

    The sample is heard as it lies on disk, followed by silence, as a key that is held long enough
    plays it. What is 60 dB under its peak by then has died away.
    """
    sample = load_samples((region,))[region.sample]
    stream = stream_of(region, sample)
    if stream.loop is not None:
        return None
    played = unrolled(stream, sample.samples, len(sample.samples), None)
    tail = played[-round(_TAIL_SECONDS * sample.rate) :]
    last = tail[-round(_LAST_SECONDS * sample.rate) :]
    level = _last_level(region, len(played) / sample.rate)
    heard = peak_dbfs(last * level) > peak_dbfs(played) - _DIED_AWAY_DB
    click = cut_click_db(np.concatenate((tail, np.zeros_like(tail))), len(tail), sample.rate)
    return PlayedEnd(
        sample=region.sample,
        end_frame=stream.end_frame,
        click_db=click if heard else FLOOR_DB,
    )


def _last_level(region: SfzRegion, seconds: float) -> float:
    """Return the amplitude ratio that the envelope leaves of a note held for so long."""
    envelope = held_envelope(region.envelope, _ENVELOPE_RATE, round(seconds * _ENVELOPE_RATE), 60.0)
    return float(envelope[-1]) if len(envelope) else 1.0
