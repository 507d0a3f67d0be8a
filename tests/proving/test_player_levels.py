"""Levels, envelopes, filters and places in the stereo, against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.proving.playing import (
    RATE,
    NoteOff,
    NoteOn,
    PlayerSettings,
    constant,
    level_db,
    play,
    sample,
    sine,
)


def gain_db(opcodes: str, velocity: int = 127, key: int = 60, **controllers: float) -> float:
    """Return the level of a full-scale constant, left side."""
    played = play(
        f"<region>sample=a.wav {opcodes}",
        [NoteOn(at_frame=0, key=key, velocity=velocity)],
        10,
        PlayerSettings(controllers={int(name[2:]): value for name, value in controllers.items()}),
        a=constant(100),
    )
    return level_db(played[:, 0])


@pytest.mark.parametrize("velocity", [1, 32, 64, 100, 127])
def test_velocity_is_squared(velocity: int) -> None:
    truth = 40 * np.log10(velocity / 127)
    assert gain_db("pitch_keytrack=0", velocity) == pytest.approx(truth, abs=1e-4)


def test_amp_veltrack_and_velcurve() -> None:
    assert gain_db("amp_veltrack=0", 10) == pytest.approx(0, abs=1e-4)
    half = 20 * np.log10(1 - 0.5 * (1 - (64 / 127) ** 2))
    assert gain_db("amp_veltrack=50", 64) == pytest.approx(half, abs=1e-4)
    assert gain_db("amp_velcurve_64=1", 64) == pytest.approx(0, abs=1e-4)
    assert gain_db("amp_velcurve_64=1", 32) == pytest.approx(20 * np.log10(0.5), abs=1e-4)
    assert gain_db("amp_velcurve_64=0.25", 64) == pytest.approx(-12.0412, abs=1e-3)
    assert gain_db("amp_veltrack=-100", 64) == pytest.approx(
        20 * np.log10(1 - (64 / 127) ** 2), abs=1e-4
    )


def test_amp_keytrack_counts_from_its_centre() -> None:
    flat = "amp_veltrack=0 pitch_keytrack=0 lokey=0"
    assert gain_db(f"{flat} amp_keytrack=-2") == pytest.approx(0, abs=1e-4)
    assert gain_db(f"{flat} amp_keytrack=-2 amp_keycenter=57") == pytest.approx(-6, abs=1e-4)


def test_volume_amplitude_and_their_controllers() -> None:
    assert gain_db("volume=-6 amplitude=50") == pytest.approx(-6 - 6.0206, abs=1e-3)
    assert gain_db("group_volume=-3 volume=-3") == pytest.approx(-6, abs=1e-3)
    assert gain_db("volume_oncc7=-12", cc7=127) == pytest.approx(-12, abs=1e-3)
    assert gain_db("amplitude_oncc7=100", cc7=63.5) == pytest.approx(-6.0206, abs=1e-3)


def test_crossfades_of_equal_power_and_of_equal_gain() -> None:
    fade = "amp_veltrack=0 xfin_lovel=20 xfin_hivel=40"
    assert gain_db(fade, 40) == pytest.approx(0, abs=1e-4)
    assert gain_db(fade, 30) == pytest.approx(-3.0103, abs=1e-3)
    assert gain_db(fade, 20) < -150
    assert gain_db(f"{fade} xf_velcurve=gain", 30) == pytest.approx(-6.0206, abs=1e-3)
    out = "amp_veltrack=0 xfout_lovel=20 xfout_hivel=40"
    assert gain_db(out, 25) == pytest.approx(10 * np.log10(0.75), abs=1e-3)
    assert gain_db(out, 41) < -150
    assert gain_db("xfin_lokey=58 xfin_hikey=62", key=60) == pytest.approx(-3.0103, abs=1e-3)
    assert gain_db("xfin_locc1=0 xfin_hicc1=100", cc1=50) == pytest.approx(-3.0103, abs=1e-3)


@given(st.integers(1, 127), st.integers(0, 126), st.integers(1, 127))
@settings(max_examples=30)
def test_two_crossfading_layers_keep_the_power(velocity: int, low: int, width: int) -> None:
    high = min(127, low + width)
    upper = 10 ** (gain_db(f"amp_veltrack=0 xfin_lovel={low} xfin_hivel={high}", velocity) / 10)
    lower = 10 ** (gain_db(f"amp_veltrack=0 xfout_lovel={low} xfout_hivel={high}", velocity) / 10)
    assert upper + lower == pytest.approx(1, abs=1e-4)


def test_pan_keeps_the_power_and_is_loudest_at_a_side() -> None:
    for pan in (-100, -30, 0, 60, 100):
        events = [NoteOn(at_frame=0, key=60, velocity=127)]
        left, right = play(f"<region>sample=a.wav pan={pan}", events, 5, a=constant(50))[2]
        assert left**2 + right**2 == pytest.approx(2, abs=1e-5)
        assert np.sign(right - left) == np.sign(pan) or pan == 0
    assert gain_db("pan=-100") == pytest.approx(3.0103, abs=1e-3)


def envelope(opcodes: str, seconds: float, off_at: float | None = None) -> np.ndarray:
    events = [NoteOn(at_frame=0, key=60, velocity=127)]
    if off_at is not None:
        events.append(NoteOff(at_frame=round(off_at * RATE), key=60))  # type: ignore[arg-type]
    frames = round(seconds * RATE)
    return play(f"<region>sample=a.wav {opcodes}", events, frames, a=constant(2 * frames))[:, 0]


def test_attack_is_a_straight_line_after_the_delay() -> None:
    level = envelope("ampeg_delay=0.1 ampeg_attack=0.2", 0.5)
    assert not level[:4800].any()
    assert level[4800 + 4800] == pytest.approx(0.5, abs=1e-6)
    assert (level[14400:] == 1).all()


def test_hold_decay_and_sustain() -> None:
    level = envelope("ampeg_hold=0.1 ampeg_decay=0.5 ampeg_sustain=10", 1)
    assert (level[:4800] == 1).all()
    tenth = 20 * np.log10(level[4800 + 2400])
    assert tenth == pytest.approx(-6.9, abs=0.01)
    assert level[-1] == pytest.approx(0.1, abs=1e-6)


def test_release_falls_by_69_db_in_its_time_and_ends() -> None:
    level = envelope("ampeg_release=0.4", 1, off_at=0.5)
    assert (level[:24000] == 1).all()
    assert 20 * np.log10(level[24000 + 4800]) == pytest.approx(-17.25, abs=0.05)
    assert level[24000 + 19199] < 1e-5
    assert not level[24000 + 19200 :].any()
    assert np.abs(np.diff(level[24000:])).max() < 0.001


def test_release_starts_at_the_level_of_the_moment() -> None:
    level = envelope("ampeg_decay=1 ampeg_sustain=0 ampeg_release=10", 1, off_at=0.5)
    at_off = 20 * np.log10(level[24000])
    assert at_off == pytest.approx(-34.5, abs=0.01)
    assert 20 * np.log10(level[33600]) == pytest.approx(-34.5 - 1.38, abs=0.02)


def test_one_shots_ignore_the_note_off() -> None:
    assert envelope("loop_mode=one_shot", 1, off_at=0.1)[-1] == 1
    assert envelope("loop_mode=no_loop", 1, off_at=0.1)[-1] == 0


def test_the_release_controller_lengthens_the_release() -> None:
    events = [NoteOn(at_frame=0, key=60, velocity=127), NoteOff(at_frame=0, key=60)]
    for value, seconds in ((0.0, 0.1), (127.0, 0.4)):
        sound = play(
            "<region>sample=a.wav ampeg_release=0.1 ampeg_release_oncc72=0.3",
            list(events),
            RATE,
            PlayerSettings(controllers={72: value}),
            a=constant(),
        )
        assert np.flatnonzero(sound[:, 0])[-1] == pytest.approx(seconds * RATE, abs=2)


def filter_db(opcodes: str, frequency: float, key: int = 60, **controllers: float) -> float:
    sound = play(
        f"<region>sample=a.wav pitch_keytrack=0 {opcodes}",
        [NoteOn(at_frame=0, key=key, velocity=127)],
        RATE,
        PlayerSettings(controllers={int(name[2:]): value for name, value in controllers.items()}),
        a=sample(sine(frequency, RATE, amplitude=1.0)),
    )
    return float(10 * np.log10(2 * np.mean(sound[RATE // 2 :, 0] ** 2)))


def test_low_passes_fall_as_they_should() -> None:
    assert filter_db("fil_type=lpf_1p cutoff=1000", 1000) == pytest.approx(-3.01, abs=0.02)
    assert filter_db("fil_type=lpf_1p cutoff=500", 4000) == pytest.approx(-18.4, abs=0.5)
    assert filter_db("cutoff=1000 resonance=6", 1000) == pytest.approx(6, abs=0.02)
    assert filter_db("cutoff=500", 4000) == pytest.approx(-36.6, abs=0.8)
    assert filter_db("cutoff=1000", 20) == pytest.approx(0, abs=0.02)


def test_cutoff_follows_the_key_and_the_controller() -> None:
    tracked = "fil_type=lpf_1p cutoff=1000 fil_keytrack=100"
    assert filter_db(tracked, 2000, key=72) == pytest.approx(-3.01, abs=0.02)
    opened = "fil_type=lpf_1p cutoff=250 cutoff_oncc74=4800"
    assert filter_db(opened, 4000, cc74=127) == pytest.approx(-3.01, abs=0.02)
    assert filter_db(opened, 1000, cc74=63.5) == pytest.approx(-3.01, abs=0.02)
    assert filter_db(opened, 250, cc74=0) == pytest.approx(-3.01, abs=0.02)
