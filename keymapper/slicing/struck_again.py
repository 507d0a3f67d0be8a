"""Keys struck again while they are held.

The same key on top of itself need not sound louder: some of its partials grow, others fall, and
which ones is chance. What tells it is that they all change at once. The change is looked for in
fine spectra, which see it within some hundredths of a second, and in the bands of the course,
which see slower attacks and no vibrato; how much a patch changes by itself while its keys are held
says what counts. Spectra shorter than some periods of a low note change within each of them, and
are compared whole periods apart.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import fft

from keymapper.channels import less_means, mono
from keymapper.slicing.course import FloatArray
from keymapper.slicing.extras import others_of_key
from keymapper.slicing.hearing import HeardTake
from keymapper.slicing.side_by_side import side_by_side
from keymapper.slicing.timing import Timed

_FROM_SECONDS, _OFF_SECONDS, _NEXT_SECONDS = 0.08, 0.06, 0.05
"""Looked at from so long after an onset, to so long before its key is let go, or the next onset."""
_LONGEST_SECONDS = 1.0
_SHORTEST_SECONDS = 0.1
_LEAST_NOTES = 4
"""Fewer do not tell what is usual."""
_WINDOW_SECONDS, _HOP_SECONDS, _BETWEEN_SECONDS = 0.05, 0.005, 0.02
_LEAST_PERIODS, _LONGEST_PERIOD_SECONDS = 4, 0.04
"""Windows of fewer periods change from one part of a period to the next."""
_UNLIKE, _PERIODIC, _AS_LIKE = 0.5, 0.8, 0.05
_LEAST_HZ = 11_000
_HEARD_HZ = (40.0, 4000.0)
_BAND_HOPS, _GAP_HOPS = 5, 1
_USUAL_PERCENT, _LEAST_USUAL = 80, 0.1
_FINE_RATIO, _BAND_RATIO = 2.0, 2.3
"""So many times what is usual, a change is a key struck."""
_CHANGE_SECONDS, _APART_SECONDS, _STANDS_OUT = 0.1, 0.03, 1.4
"""What a strike changes in so long is so many times what changes at other times."""
_AS_MUCH = 0.7
"""Of a change, as late in another note of the key, says that it is the patch's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Held:
    """A stretch in which a key is held, and nothing else is known to begin."""

    start_seconds: float
    end_seconds: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Changes:
    """The share of the sound that changes, all along a stretch."""

    shares: FloatArray
    first_seconds: float
    step_seconds: float
    is_of_low_note: bool = False
    """Bands, heard over less than four of its periods, change with every period."""

    @property
    def settled(self) -> int:
        """Return the place from which on the attack no longer shows."""
        rising = np.flatnonzero(np.diff(self.shares) > 0)
        return int(rising[0]) if len(rising) else len(self.shares)

    @property
    def largest(self) -> float:
        """Return the largest share once the attack has settled; 0 for none."""
        return float(self.shares[self.settled :].max(initial=0.0))

    def first_over(self, share: float) -> float | None:
        """Return when more than a share begins to change, None if it never does."""
        begins = np.flatnonzero((self.shares[1:] > share) & (self.shares[:-1] <= share)) + 1
        return self.first_seconds + int(begins[0]) * self.step_seconds if len(begins) else None

    def most_around(self, seconds: float, reach_seconds: float = 0.0) -> float:
        """Return the largest share of what begins to change then, or so much sooner or later."""
        since = seconds - self.first_seconds
        begin = round((since - reach_seconds) / self.step_seconds)
        end = round((since + _CHANGE_SECONDS + reach_seconds) / self.step_seconds)
        return float(self.shares[max(0, begin) : max(0, end)].max(initial=0.0))

    def stands_out(self, seconds: float) -> bool:
        """Say whether what begins to change then changes far more than at any other time."""
        begin = round((seconds - self.first_seconds) / self.step_seconds)
        end = begin + round(_CHANGE_SECONDS / self.step_seconds)
        calm = max(0, begin - round(_APART_SECONDS / self.step_seconds))
        others = np.concatenate([self.shares[self.settled : calm], self.shares[end:]])
        return float(self.shares[begin:end].max()) > _STANDS_OUT * float(others.max(initial=0.0))


def struck_again(
    heard: HeardTake, notes: Sequence[Timed], known_seconds: Sequence[float]
) -> list[tuple[Timed, float]]:
    """Return the notes whose key is struck again within the first second it is held, and when.

    known_seconds : when other extra notes begin. Patches that swell, with a click at key-down or
    without, are not looked at.
    """
    found: list[tuple[Timed, float]] = []
    for patch in sorted({note.asked.patch for note in notes}):
        of_patch = [note for note in notes if note.asked.patch == patch]
        if 2 * sum(note.swells for note in of_patch) <= len(of_patch):
            found += _struck_again(heard, list(_held(of_patch, known_seconds)))
    return found


def _struck_again(
    heard: HeardTake, held: Sequence[tuple[Timed, _Held]]
) -> Iterator[tuple[Timed, float]]:
    if len(held) < _LEAST_NOTES:
        return
    parts = ((_middle(heard, stretch), stretch) for _, stretch in held)
    fine = list(side_by_side(lambda part: _fine_changes(heard, *part), parts))
    bands = [_band_changes(heard, stretch) for _, stretch in held]
    least = _FINE_RATIO * _usual(fine), _BAND_RATIO * _usual(bands)
    notes = [note for note, _ in held]
    for note, in_fine, in_bands in zip(notes, fine, bands, strict=True):
        seconds, changes = in_fine.first_over(least[0]), fine
        if seconds is None or not in_fine.stands_out(seconds):  # a beat comes again
            seconds = None if in_fine.is_of_low_note else in_bands.first_over(least[1])
            changes = bands
        if seconds is not None and not _comes_again(note, seconds, notes, changes):
            yield note, seconds


def _comes_again(
    note: Timed, seconds: float, notes: Sequence[Timed], changes: Sequence[_Changes]
) -> bool:
    """Say whether another note of the key changes as much, as late after its own onset."""
    change_of = {one.asked.plan_index: change for one, change in zip(notes, changes, strict=True)}
    most = change_of[note.asked.plan_index].most_around(seconds)
    late = seconds - (note.onset_seconds or 0.0)
    return any(
        change_of[other.asked.plan_index].most_around(
            (other.onset_seconds or 0.0) + late, _APART_SECONDS
        )
        >= _AS_MUCH * most
        for other in others_of_key(note, notes)
    )


def _held(notes: Sequence[Timed], known_seconds: Sequence[float]) -> Iterator[tuple[Timed, _Held]]:
    """Yield the notes that are held for long enough before anything else begins."""
    others = np.array(sorted(known_seconds))
    for note in notes:
        if note.onset_seconds is None:
            continue
        later = others[others > note.onset_seconds]
        until = min([note.asked.until_seconds, *later[:1]]) - _NEXT_SECONDS
        stretch = _Held(
            start_seconds=note.onset_seconds + _FROM_SECONDS,
            end_seconds=min(
                note.onset_seconds + _LONGEST_SECONDS, note.asked.off_seconds - _OFF_SECONDS, until
            ),
        )
        if stretch.end_seconds - stretch.start_seconds >= _SHORTEST_SECONDS:
            yield note, stretch


def _usual(changes: Sequence[_Changes]) -> float:
    largest = [one.largest for one in changes]
    return max(_LEAST_USUAL, float(np.percentile(largest, _USUAL_PERCENT)))


def _middle(heard: HeardTake, stretch: _Held) -> FloatArray:
    """Return the mean of the channels in a stretch, with what its first and last windows need."""
    rate = heard.take.rate_hz
    first = round((stretch.start_seconds - _WINDOW_SECONDS) * rate)
    end = round((stretch.end_seconds + _WINDOW_SECONDS / 2) * rate)
    return mono(less_means(heard.take.read(first, end), heard.course.offset))


def _fine_changes(heard: HeardTake, middle: FloatArray, stretch: _Held) -> _Changes:
    """Return the changes from one spectrum of 50 ms to another 20 ms later.

    Of a low note, which changes within each of its periods, to another whole periods later.
    """
    import soxr

    factor = max(1, heard.take.rate_hz // _LEAST_HZ)
    rate = heard.take.rate_hz / factor
    coarse = soxr.resample(middle, factor, 1)
    window, hop = round(_WINDOW_SECONDS * rate), round(_HOP_SECONDS * rate)
    period = _period_frames(coarse, round(_LONGEST_PERIOD_SECONDS * rate))
    is_low = _LEAST_PERIODS * period > window
    apart = round(_BETWEEN_SECONDS * rate)
    apart = period * -(-apart // period) if is_low else apart
    coarse = np.pad(coarse, (0, max(0, window + apart - len(coarse))))  # where a take ends
    before, after = (
        _spectra(part, window, hop, rate) for part in (coarse[:-apart], coarse[apart:])
    )
    first = stretch.start_seconds - 0.5 * _WINDOW_SECONDS + 0.5 * apart / rate
    return replace(_changes(before, after, first, hop / rate), is_of_low_note=is_low)


def _spectra(samples: FloatArray, window: int, hop: int, rate_hz: float) -> FloatArray:
    """Return the amplitudes of what is heard, in windows a hop apart."""
    frames = np.lib.stride_tricks.sliding_window_view(samples, window)[::hop]
    spectra = fft.rfft(frames * np.hanning(window).astype(np.float32), axis=1)
    hertz = fft.rfftfreq(window, 1 / rate_hz)
    return np.asarray(np.abs(spectra[:, (hertz > _HEARD_HZ[0]) & (hertz < _HEARD_HZ[1])]))


def _period_frames(samples: FloatArray, longest: int) -> int:
    """Return the period of a sound, 0 where there is none so short.

    It is the first lag after which a sound that was unlike itself is as like itself as it ever is,
    by its normalised autocorrelation.
    """
    count = len(samples) - longest
    if count < longest:
        return 0
    size = fft.next_fast_len(len(samples), real=True)
    spectrum = fft.rfft(samples, size) * np.conj(fft.rfft(samples[:count], size))
    energy = np.cumsum(np.pad(np.square(samples, dtype=np.float64), (1, 0)))
    energies = energy[count:] - energy[: longest + 1]
    like = fft.irfft(spectrum, size)[: longest + 1]
    like /= np.sqrt(np.maximum(energies * energies[0], 1e-20))
    like[: int(np.argmax(like < _UNLIKE))] = 0.0
    most = float(like.max())
    near = int(np.argmax(like >= most - _AS_LIKE))
    return near + int(np.argmax(np.diff(like[near:], append=-1.0) < 0)) if most > _PERIODIC else 0


def _band_changes(heard: HeardTake, stretch: _Held) -> _Changes:
    """Return the changes of the bands from 50 ms to another 50 ms, 20 ms apart."""
    hop = heard.novelty.hop_seconds
    reach = _BAND_HOPS + _GAP_HOPS
    first, end = round(stretch.start_seconds / hop), round(stretch.end_seconds / hop)
    bands = heard.course.bands_db[max(0, first - reach) : end + reach].astype(np.float32)
    sums = np.cumsum(np.pad(10 ** (bands / 10), ((1, 0), (0, 0))), axis=0, dtype=np.float64)
    size = np.sqrt(np.maximum(sums[_BAND_HOPS:] - sums[:-_BAND_HOPS], 0))
    apart = _BAND_HOPS + 2 * _GAP_HOPS
    return _changes(size[:-apart], size[apart:], max(0, first - reach) * hop + reach * hop, hop)


def _changes(
    before: FloatArray, after: FloatArray, first_seconds: float, step_seconds: float
) -> _Changes:
    """Return the share of amplitudes that differ, of pairs whose middles lie in steps."""
    changed = np.abs(after - before).sum(axis=1)
    whole = np.maximum((after + before).sum(axis=1), 1e-12)
    return _Changes(shares=changed / whole, first_seconds=first_seconds, step_seconds=step_seconds)
