"""The colour of a note is what it was made of, and comparing colours behaves as an ear would."""

import numpy as np
import pytest

from keymapper.measuring.tone import tone
from keymapper.model.hearing import (
    difference_db,
    ending_loss_db,
    excitations,
    folding_loss_db,
    noise_loss_db,
    open_cutoff_hz,
    rate_loss_db,
)
from keymapper.model.keys import key_to_hz
from keymapper.model.sound import SILENCE_DBFS, Course
from keymapper.model.tone import LOWEST_BAND, Tone
from tests.hearing import spectral_distance_db

RATE = 48_000


def whole(samples: np.ndarray, *, sustains: bool = True, onset: int = 0) -> Course:
    return Course(
        onset_frame=onset,
        attack_end_frame=onset,
        note_off_frame=len(samples),
        end_frame=len(samples),
        sustains=sustains,
    )


def time(seconds: float = 2.0, rate: int = RATE) -> np.ndarray:
    return np.arange(round(seconds * rate)) / rate


def added(frequencies_hz: np.ndarray, levels: np.ndarray) -> np.ndarray:
    """Two seconds of sines, shape (frames, 1)."""
    sound = np.zeros(2 * RATE)
    for order, (frequency, level) in enumerate(zip(frequencies_hz, levels, strict=True)):
        sound += level * np.sin(2 * np.pi * frequency * time() + order**2)
    return sound[:, None].astype(np.float32)


def partials(key: float, falls_db: float) -> np.ndarray:
    """Harmonics that fall by so many dB an octave, below 15 kHz."""
    f0 = key_to_hz(key)
    orders = np.arange(1, int(15_000 / f0) + 1)
    return added(f0 * orders, 0.2 * orders ** (-falls_db / 6.02))


def risen(samples: np.ndarray, rate: int = RATE) -> np.ndarray:
    """A sound switched on at once has a splash of its own."""
    return samples * np.minimum(1.0, time(len(samples) / rate, rate) / 0.1)[:, None]


def measured(samples: np.ndarray, rate: int = RATE, **how: bool) -> Tone:
    return tone(samples, rate, whole(samples, **how))


def filtered(key: int, cutoff_hz: float) -> Tone:
    f0 = key_to_hz(key)
    orders = np.arange(1, int(15_000 / f0) + 1)
    return measured(risen(added(f0 * orders, 0.2 / orders / (1 + (orders * f0 / cutoff_hz) ** 2))))


@pytest.mark.parametrize("rate", [22_050, 44_100, 96_000])
@pytest.mark.parametrize("key", [40, 69, 100])
def test_a_sine_is_its_level_in_its_own_band(key: int, rate: int) -> None:
    samples = 0.5 * np.sin(2 * np.pi * key_to_hz(key) * time(2.0, rate))[:, None]
    got = measured(risen(samples, rate), rate)
    total = 10 * np.log10(np.sum(10 ** (np.array(got.bands_db) / 10)))
    assert total == pytest.approx(20 * np.log10(0.5) - 3.01, abs=0.05)
    assert int(np.argmax(got.bands_db)) == key - LOWEST_BAND
    assert got.centroid_hz == pytest.approx(key_to_hz(key), abs=4)
    assert got.edge_999_hz == pytest.approx(key_to_hz(key), abs=12)


def test_edges_lie_where_so_much_of_the_energy_does() -> None:
    clock = time()
    strong, weak = np.sin(2 * np.pi * 500 * clock), np.sin(2 * np.pi * 4000 * clock)
    got = measured(risen(0.3 * (strong + np.sqrt(0.005) * weak)[:, None]))
    assert got.edge_99_hz == pytest.approx(500, abs=8)
    assert got.edge_999_hz == pytest.approx(4000, abs=8)


def test_the_audible_edge_sees_faint_partials_that_energy_does_not() -> None:
    clock = time()
    strong, faint = np.sin(2 * np.pi * 110 * clock), np.sin(2 * np.pi * 3520 * clock)
    got = measured(risen(0.3 * (strong + 0.01 * faint)[:, None]))
    assert got.edge_999_hz is not None
    assert got.edge_999_hz < 200
    assert got.audible_edge_hz == pytest.approx(3520, rel=0.25)
    unheard = measured(risen(0.3 * (strong + 1e-5 * faint)[:, None]))
    assert unheard.audible_edge_hz is not None
    assert unheard.audible_edge_hz < 1000


def test_the_onset_counts_for_the_edges() -> None:
    clock = time()
    bright = np.sin(2 * np.pi * 8000 * clock) * np.exp(-clock / 0.05)
    got = measured(0.3 * (np.sin(2 * np.pi * 200 * clock) + bright)[:, None])
    assert got.edge_999_hz == pytest.approx(8000, rel=0.02)


def test_silence_has_a_stated_level_and_no_edges() -> None:
    got = measured(np.zeros((RATE, 2), np.float32))
    assert set(got.bands_db) == {SILENCE_DBFS}
    assert (got.edge_99_hz, got.edge_999_hz, got.audible_edge_hz, got.centroid_hz) == (None,) * 4
    assert spectral_distance_db(got, got, 3) == 0.0


def test_a_tick_shorter_than_a_window_is_measured() -> None:
    tick = 0.5 * np.random.default_rng(1).standard_normal((900, 1))
    got = measured(tick, sustains=False)
    assert got.centroid_hz == pytest.approx(RATE / 4, rel=0.1)
    assert got.seconds == pytest.approx(900 / RATE)


def test_falls_of_a_decay() -> None:
    clock = time(3.0)
    decay = 10 ** (-20 * clock / 20)
    got = measured((decay * np.sin(2 * np.pi * 300 * clock))[:, None], sustains=False)
    assert got.falls_seconds == pytest.approx((0.5, 1.0, 1.5, 2.0, 2.5, 3.0), abs=0.02)


def test_same_spectrum_about_f0_is_no_distance_when_transposed() -> None:
    low, high = measured(partials(48, 12)), measured(partials(60, 12))
    assert spectral_distance_db(low, high, 12) < 1.5
    assert spectral_distance_db(low, low, 0) == 0.0


def test_a_fixed_filter_is_heard_more_the_farther_a_note_is_moved() -> None:
    notes = {key: filtered(key, 900.0) for key in (45, 48, 51, 54, 57)}
    distances = [spectral_distance_db(notes[45], notes[key], key - 45) for key in notes]
    assert distances == sorted(distances)
    assert distances[1] > 0.5
    back = spectral_distance_db(notes[57], notes[45], -12)
    assert back == pytest.approx(distances[-1], rel=0.3)


def test_level_makes_no_difference() -> None:
    samples = partials(50, 9)
    assert spectral_distance_db(measured(samples), measured(0.1 * samples), 0) < 0.01


def test_many_at_once_are_the_same_as_one() -> None:
    a, b = measured(partials(50, 9)), measured(partials(55, 6))
    moved = excitations([a, b], np.array([0, 5]))
    assert difference_db(moved[0, 1], moved[1, 0]) == pytest.approx(spectral_distance_db(a, b, 5))


def test_folding_costs_what_cancels() -> None:
    noise = 0.1 * np.random.default_rng(2).standard_normal((2 * RATE, 2))
    assert folding_loss_db(measured(noise)) == pytest.approx(3.0, abs=0.5)
    assert folding_loss_db(measured(noise[:, :1])) == 0.0
    assert folding_loss_db(measured(np.repeat(noise[:, :1], 2, axis=1))) < 0.01
    assert folding_loss_db(measured(noise[:, :1] * np.array([1, -1]))) > 20.0


def test_a_lower_rate_costs_what_lies_above_it() -> None:
    dark, bright = filtered(45, 250.0), measured(partials(45, 3))
    assert rate_loss_db(dark, 16_000) < 0.1
    assert rate_loss_db(bright, 16_000) > 2.0
    assert rate_loss_db(bright, 48_000) == 0.0


def test_a_lower_rate_costs_a_bright_onset_too() -> None:
    clock = time()
    steady = filtered(45, 300.0)
    click = 0.3 * np.random.default_rng(3).standard_normal(len(clock)) * np.exp(-clock / 0.01)
    plucked = measured(added(np.array([110.0]), np.array([0.2])) + click[:, None])
    assert rate_loss_db(plucked, 16_000) > 1.0 > rate_loss_db(steady, 16_000)


def test_noise_of_16_bits_is_not_heard_under_a_loud_note_but_under_a_faint_one() -> None:
    samples = partials(60, 9)
    assert noise_loss_db(measured(samples), -96.0, RATE) < 0.02
    assert noise_loss_db(measured(1e-4 * samples), -96.0, RATE) > 1.0


def test_an_early_end_costs_more_the_more_is_cut() -> None:
    clock = time(3.0)
    decay = 10 ** (-20 * clock / 20)
    got = measured((decay * np.sin(2 * np.pi * 300 * clock))[:, None], sustains=False)
    losses = [ending_loss_db(got, seconds) for seconds in (3.0, 2.5, 2.0, 1.0)]
    assert losses[0] == 0.0
    assert losses == sorted(losses)
    assert losses[1] < 1.0 < losses[3]


def test_measuring_twice_gives_the_same() -> None:
    samples = partials(52, 7)
    assert measured(samples) == measured(samples)


def test_an_open_filter_leaves_faint_partials_too() -> None:
    clock = time()
    strong, faint = np.sin(2 * np.pi * 110 * clock), np.sin(2 * np.pi * 3520 * clock)
    got = open_cutoff_hz(measured(risen(0.3 * (strong + 0.01 * faint)[:, None])))
    assert got == pytest.approx(3520 * (10**0.05 - 1) ** -0.25, rel=0.1)
    unheard = open_cutoff_hz(measured(risen(0.3 * (strong + 1e-5 * faint)[:, None])))
    assert unheard < 600


def test_an_open_filter_moves_with_the_transposition() -> None:
    dark = filtered(45, 400.0)
    assert open_cutoff_hz(dark, 12) == pytest.approx(2 * open_cutoff_hz(dark), rel=0.25)
    assert open_cutoff_hz(measured(partials(45, 0))) == 24_000.0
    assert open_cutoff_hz(measured(np.zeros((RATE, 1)))) == pytest.approx(20.0, rel=0.05)
