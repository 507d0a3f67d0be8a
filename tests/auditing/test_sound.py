"""What is measured of faults inside a sound, on sounds made with and without them."""

from __future__ import annotations

import numpy as np
import pytest

from keymapper.auditing.rules.edges import RISE_SHARE
from keymapper.auditing.sound.clicks import find_clicks
from keymapper.auditing.sound.dropouts import find_dropouts
from keymapper.auditing.sound.edges import measured_edges
from keymapper.auditing.sound.loop_judging import judged_loop
from keymapper.auditing.sound.noise import hum_of, noise_dbfs
from keymapper.auditing.sound.stereo import mono_loss_db
from keymapper.measuring.centring import centred
from keymapper.measuring.steps import step_of
from keymapper.model.loop import Loop
from keymapper.model.sound import Course
from tests.auditing.subjects import pitch
from tests.simple_notes import RATE, note

KEY, F0_HZ = 57, 220.0
FINE = 2.0**-23


def _note(**how) -> np.ndarray:
    return centred(note(F0_HZ, 2.0, **how), RATE)


def _course(samples: np.ndarray) -> Course:
    return Course(
        onset_frame=2_400,
        attack_end_frame=3_000,
        note_off_frame=len(samples),
        end_frame=len(samples),
        sustains=True,
    )


def test_a_steady_note_has_no_clicks_nor_dropouts():
    samples = _note()
    assert find_clicks(samples, RATE, _course(samples), pitch(KEY), FINE) == ()
    assert find_dropouts(samples, RATE, (2_400, len(samples)), FINE) == ()


@pytest.mark.parametrize("size", [0.05, 0.3])
def test_a_click_is_found_where_it_is(size):
    samples = _note()
    samples[40_000] += size
    clicks = find_clicks(samples, RATE, _course(samples), pitch(KEY), FINE)
    assert abs(clicks[0].frame - 40_000) <= 3
    assert clicks[0].over_db > 15


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("shape", ["saw", "square", "triangle"])
def test_a_wave_of_few_steps_has_no_clicks_of_its_own(shape, bits):
    """It repeats to the last bit, but for edges that fall between frames and bits that turn."""
    turn = F0_HZ * np.arange(2 * RATE)[:, None] / RATE % 1
    wave = {
        "saw": 2 * turn - 1,
        "square": np.where(turn < 0.5, 1.0, -1.0),
        "triangle": 4 * abs(turn - 0.5) - 1,
    }
    samples = np.round(0.6 * wave[shape] * 2 ** (bits - 1)) / 2 ** (bits - 1)
    step = step_of(samples)
    assert find_clicks(samples, RATE, _course(samples), pitch(KEY), step) == ()
    samples[40_000] *= 0.3
    clicks = find_clicks(samples, RATE, _course(samples), pitch(KEY), step)
    assert abs(clicks[0].frame - 40_000) <= 3


def test_where_a_straight_fade_begins_is_no_click():
    samples = _note()
    samples[50_000:] *= np.linspace(1, 0, len(samples) - 50_000)[:, None]
    assert find_clicks(samples, RATE, _course(samples), pitch(KEY), FINE) == ()


def test_lost_frames_are_a_click():
    samples = _note()
    jumped = np.concatenate([samples[:40_000], samples[40_050:]])
    clicks = find_clicks(jumped, RATE, _course(jumped), pitch(KEY), FINE)
    assert abs(clicks[0].frame - 40_000) <= 3


def test_jumps_at_even_distances_are_a_sequencer():
    samples = _note()
    samples[20_000:90_000:8_000] += 0.3
    assert find_clicks(samples, RATE, _course(samples), pitch(KEY), FINE) == ()


def test_faint_jumps_at_even_distances_tell_of_a_loud_one_there_and_of_no_other():
    """Steps of a sequencer differ in size: one stands out, the others hardly do."""
    samples = _note()
    noise = np.random.default_rng(3).normal(0, 1e-3, samples.shape)
    samples += noise
    samples[20_000:84_000:8_000] += 0.015
    samples[52_000] += 0.3
    samples[63_000] += 0.3
    clicks = find_clicks(samples, RATE, _course(samples), pitch(KEY), FINE)
    assert {round(click.frame, -3) for click in clicks} == {63_000}


def test_a_dropout_is_found_with_its_length():
    samples = _note()
    samples[40_000:40_480] = 0.0
    (span,) = find_dropouts(samples, RATE, (2_400, len(samples)), FINE)
    assert span.start_frame == pytest.approx(40_000, abs=3)
    assert span.end_frame == pytest.approx(40_480, abs=3)


@pytest.mark.parametrize("bits", [8, 16, 24])
def test_a_wave_that_lingers_at_zero_does_not_drop_out(bits):
    """Two detuned oscillators graze zero now and then; coarse numbers make flat places of it."""
    seconds = np.arange(4 * RATE)[:, None] / RATE
    wave = sum(
        np.sin(2 * np.pi * order * 65.41 * cents * seconds + order) / order
        for order in (1, 2, 3, 4)
        for cents in (0.9996, 1.0003)
    )
    samples = np.round(0.15 * wave * 2 ** (bits - 1)) / 2 ** (bits - 1)
    step = step_of(samples)
    assert step == 2.0 ** (1 - bits)
    assert find_dropouts(samples, RATE, (0, len(samples)), step) == ()
    samples[40_000:40_480] = 0.0
    (span,) = find_dropouts(samples, RATE, (0, len(samples)), step)
    assert abs(span.start_frame - 40_000) < 5


@pytest.mark.parametrize("key", [60, 66, 72])
def test_a_bell_that_dies_away_does_not_drop_out(key):
    seconds = np.arange(5 * RATE) / RATE
    f0_hz = 440 * 2 ** ((key - 69) / 12)
    partials = ((0.5, 0.6, 0.5), (1, 1, 0.8), (1.183, 0.5, 1.2), (1.506, 0.4, 1.4), (2, 0.9, 1.6))
    bell = sum(
        level * np.exp(-fall * seconds) * np.sin(2 * np.pi * ratio * f0_hz * seconds + ratio)
        for ratio, level, fall in partials
    )
    bell *= 0.5 / np.abs(bell).max() * np.minimum(1, (seconds[-1] - seconds) / 0.8)
    assert find_dropouts(bell[:, None], RATE, (0, len(bell)), FINE) == ()


@pytest.mark.parametrize(
    ("samples", "step"),
    [
        (np.zeros((9, 1)), 2**-7),
        (np.array([[0.5], [-0.25]]), 2**-7),
        (np.array([[0.5, -3 / 128]]), 2**-7),
        (np.array([[0.5, -3 / 32768]]), 2**-15),
        (np.array([[300.1, -0.3]]), 2**-23),
    ],
)
def test_the_step_of_a_file_is_that_of_its_numbers(samples, step):
    assert step_of(samples) == step


@pytest.mark.parametrize("noise_dbfs", [-200, -94])
def test_a_gate_is_no_dropout(noise_dbfs):
    samples = _note()
    for start in range(10_000, 90_000, 8_000):
        samples[start : start + 2_000] = 0.0
    rng = np.random.default_rng(1)
    samples += 10 ** (noise_dbfs / 20) * rng.standard_normal(samples.shape)
    assert find_dropouts(samples, RATE, (2_400, len(samples)), FINE) == ()


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_hum_is_found_beside_a_note_and_in_silence(mains_hz):
    samples = _note()
    time = np.arange(len(samples))[:, None] / RATE
    hum = 10 ** (-50 / 20) * np.sqrt(2) * np.sin(2 * np.pi * mains_hz * time)
    found = hum_of(samples + hum, RATE, F0_HZ, 2_400)
    assert found.mains_hz == mains_hz
    assert found.level_dbfs == pytest.approx(-50, abs=1)
    assert hum_of(samples, RATE, F0_HZ, 2_400).mains_hz is None


@pytest.mark.parametrize(("cents", "tremolo"), [(20.0, 0.0), (60.0, 0.0), (0.0, 0.3), (30.0, 0.2)])
def test_what_swings_around_partials_is_no_hum(cents, tremolo):
    """Side lines of C2 lie at 65.4 - 5.45 = 59.96 Hz; hum elsewhere is still heard."""
    seconds = np.arange(6 * RATE)[:, None] / RATE
    swing = np.sin(2 * np.pi * 5.45 * seconds)
    bent = cents / 1200 * np.log(2) / 5.45 * np.cos(2 * np.pi * 5.45 * seconds)
    turns = 2 * np.pi * 65.41 * seconds - 65.41 * bent
    samples = sum(0.3 / order * np.sin(order * turns) for order in range(1, 12))
    samples *= 1 - tremolo * swing
    assert hum_of(samples, RATE, 65.41, 0).mains_hz is None
    hum = sum(0.003 * np.sin(2 * np.pi * 50 * order * seconds) for order in (1, 2, 3, 5))
    assert hum_of(samples + hum, RATE, 65.41, 0).mains_hz == 50.0


def test_a_note_on_a_multiple_of_the_mains_is_no_hum():
    samples = centred(note(100.0, 2.0), RATE)
    assert hum_of(samples, RATE, 100.0, 2_400).mains_hz is None


def test_noise_is_measured_in_the_silence_before_the_note_only():
    rng = np.random.default_rng(1)
    samples = _note()
    noisy = samples + 10 ** (-60 / 20) * rng.standard_normal(samples.shape)
    assert noise_dbfs(noisy, RATE, 2_400) == pytest.approx(-60, abs=1)
    assert noise_dbfs(samples[2_400:], RATE, 0) is None


def test_a_decaying_tail_is_no_noise():
    samples = _note(decay_seconds=0.5)[2_400:]
    assert noise_dbfs(samples, RATE, 0) is None


def test_lead_pause_and_tail_are_measured():
    samples = _note(lead_seconds=0.2)
    twice = np.concatenate([samples, np.zeros((RATE, 1)), samples, np.zeros((2 * RATE, 1))])
    edges = measured_edges(twice, RATE, _course(twice))
    assert edges.lead_seconds == pytest.approx(0.2, abs=0.004)
    assert edges.longest_pause_seconds == pytest.approx(1.2, abs=0.05)
    assert edges.quiet_tail_seconds == pytest.approx(2.0, abs=0.05)


def test_a_slow_attack_is_no_late_start():
    rise = np.linspace(0, 1, RATE)[:, None] ** 2
    samples = note(F0_HZ, 2.0, lead_seconds=0.0)
    samples[:RATE] *= rise
    assert measured_edges(samples, RATE, _course(samples)).lead_seconds < 0.05


def test_a_pad_that_grows_from_nothing_starts_at_once():
    samples = note(F0_HZ, 2.0, lead_seconds=0.0) * np.linspace(0, 1, 2 * RATE)[:, None]
    assert measured_edges(samples, RATE, _course(samples)).lead_seconds < 0.008


def test_a_stroke_before_the_main_one_is_no_silence():
    stroke = _note(lead_seconds=0.0, decay_seconds=0.3)
    late = 1_440
    flam = np.concatenate([0.3 * stroke[:late], stroke[: RATE - late] + 0.3 * stroke[late:RATE]])
    assert measured_edges(flam, RATE, _course(flam)).lead_seconds == 0.0


def test_a_beat_is_no_silence():
    time = np.arange(2 * RATE)[:, None] / RATE
    beat = np.sin(2 * np.pi * 400 * time) + 0.8 * np.sin(2 * np.pi * 400.6 * time + 2.8)
    assert measured_edges(beat, RATE, _course(beat)).lead_seconds == 0.0


@pytest.mark.parametrize("noise_dbfs", [-62, -45])
def test_silence_under_noise_is_silence(noise_dbfs):
    rng = np.random.default_rng(1)
    samples = _note(lead_seconds=0.2)
    samples += 10 ** (noise_dbfs / 20) * rng.standard_normal(samples.shape)
    edges = measured_edges(samples, RATE, _course(samples))
    assert edges.lead_seconds == pytest.approx(0.2, abs=0.006)


def test_a_cut_tail_and_a_faded_one():
    samples = note(F0_HZ, 2.0)
    cut = measured_edges(samples[:60_000], RATE, _course(samples[:60_000]))
    whole = measured_edges(samples, RATE, _course(samples))
    assert cut.tail_db > -6
    assert not cut.fades_out
    assert whole.tail_db < cut.tail_db
    assert whole.fades_out


def test_silence_is_measured_without_a_warning():
    silence = np.zeros((RATE, 2))
    edges = measured_edges(silence, RATE, _course(silence))
    assert edges.first_step_db == -200.0
    assert mono_loss_db(silence) == 0.0
    assert noise_dbfs(silence, RATE, 0) is None


def test_mono_loss_of_equal_unlike_and_opposite_sides():
    rng = np.random.default_rng(2)
    left, other = rng.standard_normal((2, RATE))
    assert mono_loss_db(np.stack([left, left], axis=1)) == pytest.approx(0.0, abs=0.01)
    assert mono_loss_db(np.stack([left, other], axis=1)) == pytest.approx(3.0, abs=0.2)
    assert mono_loss_db(np.stack([left, -left], axis=1)) == 120.0


def test_a_loop_of_whole_periods_is_in_tune_and_another_is_not():
    samples = _note()
    period = RATE / F0_HZ
    start = 30_000
    for periods in (10.0, 10.4):
        loop = Loop(start_frame=start, end_frame=start + round(periods * period))
        cents = judged_loop(samples, RATE, loop, F0_HZ).mistuned_cents
        assert cents is not None
        assert (abs(cents) < 3) == (periods == 10.0)


def test_a_loop_outside_the_audio_has_no_join():
    samples = _note()
    outside = judged_loop(samples, RATE, Loop(start_frame=10, end_frame=len(samples) + 1), F0_HZ)
    assert outside.join is None


@pytest.mark.parametrize(("silence_seconds", "late"), [(0.0, False), (0.08, True)])
def test_a_slow_rise_out_of_noise_began_in_it(silence_seconds: float, late: bool) -> None:
    """A pad of 0.7 s of attack, 31 dB over its noise: it comes out of it after tens of ms."""
    time = np.arange(2 * RATE) / RATE
    growing = np.clip((time - silence_seconds) / 0.7, 0, 1) * np.sin(2 * np.pi * F0_HZ * time)
    noise = np.random.default_rng(3).standard_normal(len(time)) * 0.01
    samples = (0.5 * growing + noise)[:, None]
    edges = measured_edges(samples, RATE, _course(samples))
    assert (edges.lead_seconds - RISE_SHARE * edges.rise_seconds > 0.012) == late


@pytest.mark.parametrize(("silence_seconds", "late"), [(0.0, False), (0.05, True)])
def test_a_slow_rise_is_no_silence(silence_seconds: float, late: bool) -> None:
    """A raised cosine over 2.5 s: 60 dB under the peak for its first 50 ms."""
    time = np.arange(5 * RATE)[:, np.newaxis] / RATE
    rise_seconds = 0.1 if late else 2.5
    rise = 0.5 - 0.5 * np.cos(np.pi * np.clip((time - silence_seconds) / rise_seconds, 0, 1))
    samples = 0.3 * rise * np.sin(2 * np.pi * F0_HZ * time)
    edges = measured_edges(samples, RATE, _course(samples))
    assert (edges.lead_seconds - RISE_SHARE * edges.rise_seconds > 0.012) == late
