"""What is gathered of a sample is what lies in it."""

import numpy as np
import pytest
import soundfile

from keymapper.model.loop import Loop
from keymapper.reporting.page.gathering import (
    SampleToView,
    join_view,
    pitch_view,
    sample_view,
    wave_of,
)
from tests.page_data import gathered_folder
from tests.reporting.page.pages import tone
from tests.simple_notes import note

RATE = 48_000


def test_a_wave_holds_every_peak():
    sound = np.zeros((10_007, 2))
    sound[1_234, 1], sound[9_999, 0] = 0.7, -0.9
    wave = wave_of(sound, RATE, columns=100)
    assert len(wave.lows) == 100
    assert wave.highs.max() == 0.7
    assert wave.lows.min() == -0.9
    assert int(np.argmax(wave.highs)) == 12
    assert wave.seconds == pytest.approx(10_007 / RATE)


def test_a_wave_of_few_frames_has_no_more_columns():
    assert len(wave_of(np.ones((3, 1)), RATE).lows) == 3


def test_the_join_shows_what_is_played_and_the_other_side():
    sound = np.arange(4_000, dtype=float)[:, np.newaxis] / 4_000
    view = join_view(sound, RATE, Loop(start_frame=1_000, end_frame=3_000), 480.0)
    places = np.rint(view.milliseconds * 48).astype(int)
    ahead = places >= 0
    assert np.array_equal(view.played[ahead], sound[1_000 + places[ahead], 0])
    assert np.array_equal(view.played[~ahead], sound[3_000 + places[~ahead], 0])
    assert np.array_equal(view.before_start[~ahead], sound[1_000 + places[~ahead], 0])
    assert np.array_equal(view.after_end[ahead], sound[3_000 + places[ahead], 0])
    assert np.isnan(view.before_start[ahead]).all()
    assert np.isnan(view.after_end[~ahead]).all()


def test_a_short_loop_comes_round_within_the_picture():
    sound = tone(480.0, 0.5)
    view = join_view(sound, RATE, Loop(start_frame=10_000, end_frame=10_100), 480.0)
    assert np.isfinite(view.played).all()
    places = np.rint(view.milliseconds * 48).astype(int)
    assert places[-1] > 200
    assert np.array_equal(view.played, sound[10_000 + places % 100, 0])


def test_the_pitch_is_that_of_the_sound():
    view = pitch_view(note(440.0 * 2 ** (3 / 1200), 1.5), RATE, 440.0)
    assert view is not None
    assert np.median(view.cents) == pytest.approx(3.0, abs=0.2)


def test_silence_has_no_pitch():
    assert pitch_view(np.zeros((RATE, 1)), RATE, 440.0) is None


def test_an_unreadable_sample_is_left_out(tmp_path):
    (tmp_path / "a.wav").write_bytes(b"nothing")
    sample = SampleToView(file="a.wav", loop=None, f0_hz=None)
    assert sample_view(sample, tmp_path, 1_000) is None


def test_a_loop_outside_the_file_is_not_drawn(tmp_path):
    soundfile.write(tmp_path / "a.wav", tone(440.0, 0.5), RATE)
    sample = SampleToView(file="a.wav", loop=Loop(start_frame=10, end_frame=99_999), f0_hz=None)
    view = sample_view(sample, tmp_path, 100_000)
    assert view is not None
    assert view.join is None
    assert view.preview is not None
    assert view.preview.end_frame == 0


def test_a_folder_gives_a_view_of_every_sample(built):
    data = gathered_folder(built.manifest, built.folder, preview_bytes=200_000)
    assert set(data.views) == {note.sample.file for note in built.manifest.notes}
    assert sum(len(view.preview.base64) for view in data.views.values()) < 220_000
    assert data.total_bytes == sum(
        (built.folder / note.sample.file).stat().st_size for note in built.manifest.notes
    )
