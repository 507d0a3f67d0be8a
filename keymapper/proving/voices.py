"""Which regions sound for a row of events: when each starts, is let go, and is choked."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from keymapper.formats.sfz import SfzRegion
from keymapper.proving.articulations import (
    controllers_allow,
    started_switch,
    switches_allow,
)
from keymapper.proving.events import (
    ControllerMove,
    Event,
    NoteOff,
    NoteOn,
    PlayerSample,
    PlayerSettings,
)
from keymapper.proving.streams import played_loop_mode


@dataclass(slots=True, kw_only=True)
class Voice:
    """One region sounding for one note."""

    region: SfzRegion
    key: int
    velocity: int
    start_frame: int
    controllers: Mapping[int, float]
    release_frame: int | None = None
    choke_frame: int | None = None
    held_seconds: float = 0.0


@dataclass(slots=True, kw_only=True)
class _Planner:
    regions: Sequence[SfzRegion]
    samples: Mapping[str, PlayerSample]
    settings: PlayerSettings
    controllers: dict[int, float]
    last_switch: int | None
    counters: defaultdict[int, int]
    voices: list[Voice] = field(default_factory=list)
    held: dict[int, NoteOn] = field(default_factory=dict)

    def take(self, event: Event) -> None:
        if isinstance(event, ControllerMove):
            self.controllers[event.controller] = event.value
        elif isinstance(event, NoteOn):
            self._switch(event.key)
            started = [self._voice(region, event) for region in self._chosen(event)]
            self._choke(started, event.at_frame)
            self.held[event.key] = event
        else:
            self._let_go(event)

    def _switch(self, key: int) -> None:
        for region in self.regions:
            low, high = region.sw_lokey, region.sw_hikey
            if low is not None and high is not None and low <= key <= high:
                self.last_switch = key
                return

    def _chosen(self, note: NoteOn) -> Iterator[SfzRegion]:
        """Yield the regions that a key going down starts, moving their counters on."""
        others_held = any(key != note.key for key in self.held)
        for number, region in enumerate(self.regions):
            if region.is_release or not self._fits(region, note):
                continue
            if not self._is_next(number, region, note):
                continue
            if (region.trigger == "first" and others_held) or (
                region.trigger == "legato" and not others_held
            ):
                continue
            yield region

    def _fits(self, region: SfzRegion, note: NoteOn) -> bool:
        """Tell whether all but velocity and round robin call for `region`."""
        return (
            region.lokey <= note.key <= region.hikey
            and switches_allow(
                region,
                self.last_switch,
                self.settings.held_switches | self.held.keys(),
                self.settings.key_offset,
            )
            and controllers_allow(region, self.controllers)
        )

    def _is_next(self, number: int, region: SfzRegion, note: NoteOn) -> bool:
        by_velocity = region.lovel <= note.velocity <= region.hivel
        turn = self.counters[number] % region.seq_length == region.seq_position - 1
        if by_velocity or self.settings.round_robin_counting == "key":
            self.counters[number] += 1
        at_random = region.lorand <= note.random_ratio < region.hirand
        return by_velocity and turn and at_random

    def _voice(self, region: SfzRegion, note: NoteOn, at_frame: int | None = None) -> Voice:
        start = note.at_frame if at_frame is None else at_frame
        return Voice(
            region=region,
            key=note.key,
            velocity=note.velocity,
            start_frame=start + round(region.delay_seconds * self.settings.rate),
            controllers=dict(self.controllers),
            held_seconds=(start - note.at_frame) / self.settings.rate,
        )

    def _choke(self, started: list[Voice], at_frame: int) -> None:
        """Add the voices of one event; older ones that their groups turn off end here."""
        groups = {voice.region.group for voice in started} - {0}
        for voice in self.voices:
            if voice.region.off_by in groups and voice.choke_frame is None:
                voice.choke_frame = at_frame
        self.voices += started

    def _let_go(self, event: NoteOff) -> None:
        note = self.held.pop(event.key, None)
        if note is None:
            return
        sounded = False
        for voice in self.voices:
            if voice.key == event.key and not voice.region.is_release:
                sounded = True
                sample = self.samples[voice.region.sample]
                one_shot = played_loop_mode(voice.region, sample) == "one_shot"
                if voice.release_frame is None and not one_shot:
                    voice.release_frame = event.at_frame
        if sounded:
            released = [
                region
                for number, region in enumerate(self.regions)
                if region.is_release
                and self._fits(region, note)
                and self._is_next(number, region, note)
            ]
            started = [self._voice(region, note, event.at_frame) for region in released]
            self._choke(started, event.at_frame)


def plan_voices(
    regions: Sequence[SfzRegion],
    samples: Mapping[str, PlayerSample],
    events: Sequence[Event],
    settings: PlayerSettings,
    first_turn: int = 0,
) -> tuple[Voice, ...]:
    """Return the voices that `events` start, in order; of equal frames the first comes first.

    first_turn : how many notes every round robin has counted before.
    """
    planner = _Planner(
        regions=[region for region in regions if region.sample in samples],
        samples=samples,
        settings=settings,
        controllers=dict(settings.controllers),
        counters=defaultdict(lambda: first_turn),
        last_switch=started_switch(regions, settings),
    )
    for event in sorted(events, key=lambda event: event.at_frame):
        planner.take(event)
    return tuple(planner.voices)
