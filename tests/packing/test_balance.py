"""One gain an instrument."""

import struct
from dataclasses import replace

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st
from mutagen.flac import FLAC, Picture

from keymapper.formats.sfz import parse_sfz
from keymapper.formats.wav_chunks import read_wav_layout
from keymapper.measuring.levels import FoldedLevel
from keymapper.model.loop import Loop
from keymapper.model.pack import PreviewFacts
from keymapper.packing.balance import GainBounds, balance_gains, own_gain_findings, room_db
from keymapper.packing.editions import (
    ConversionOrder,
    budget_shares,
    converted_sample,
    level_when_converted,
    with_level_gains,
)
from keymapper.packing.sfz_text import packed_sfz
from tests.packing.conftest import pack_recipe


def levels(loudness, *, peak=-12.0, volume=0.0, sample_peak=-12.0, own=0.0):
    preview = None if loudness is None else PreviewFacts(
        kind="chords", seconds=5, loudness_lufs=loudness, true_peak_dbtp=peak, brightness_hz=500,
        width_percent=10,
    )  # fmt: skip
    return GainBounds(
        preview=preview, highest_volume_db=volume, highest_peak_dbfs=sample_peak, own_db=own
    )


def test_all_end_up_as_loud_as_the_middle_one():
    gains = balance_gains([levels(-20), levels(-14), levels(-17)], even=True)
    assert gains == (3.0, -3.0, 0.0)


def test_what_cannot_be_turned_up_pulls_the_others_down():
    gains = balance_gains([levels(-20, sample_peak=-1.1), levels(-14), levels(-17)], even=True)
    assert gains == pytest.approx((1.0, -5.0, -2.0))


one = st.builds(
    levels,
    st.none() | st.floats(-60, 0),
    peak=st.floats(-40, 3),
    volume=st.floats(-20, 6),
    sample_peak=st.floats(-40, 3),
)


@given(st.lists(one, min_size=1, max_size=8))
def test_nothing_is_turned_up_beyond_its_room(instruments):
    gains = balance_gains(instruments, even=True)
    for gain, level in zip(gains, instruments, strict=True):
        assert gain <= max(0.0, room_db(level)) + 1e-3
    after = [
        level.preview.loudness_lufs + gain
        for gain, level in zip(gains, instruments, strict=True)
        if level.preview
    ]
    assert max(after, default=0) - min(after, default=0) <= 0.002


def test_as_built_keeps_levels_but_for_the_makers_own():
    assert balance_gains([levels(-20), levels(-14, own=-2.0)], even=False) == (0.0, -2.0)
    assert balance_gains([levels(None), levels(-14)], even=True) == (0.0, 0.0)


def test_a_gain_of_ones_own_beyond_the_room_is_told():
    recipe = pack_recipe(instrument=[{"folder": "x", "balance_db": 12.0}])
    found = own_gain_findings(recipe, [levels(-20, own=12.0)])
    assert [one.rule for one in found] == ["gain-too-high"]
    assert own_gain_findings(recipe, [levels(-20, own=1.0)]) == []


def test_the_gain_goes_into_every_zone_and_nothing_else_changes():
    text = (
        "<global>\nampeg_release=0.3\n\n<group>\nvolume=-3\n\n<region>\nsample=a.wav\nkey=60\n\n"
        "<region>\nsample=b.wav\nkey=61\nvolume=1\n\n<region>\nkey=62\n"
    )
    read = parse_sfz(packed_sfz(parse_sfz(text), {"b.wav": "samples/b.wav"}, -2.5))
    assert [(region.sample, region.volume_db) for region in read.regions] == [
        ("a.wav", -5.5),
        ("samples/b.wav", -1.5),
    ]
    assert all(region.envelope.release_seconds == 0.3 for region in read.regions)


@pytest.mark.parametrize(
    "text",
    [
        "<global>\nglobal_volume=-2\n\n<master>\nmaster_volume=1\n\n<group>\nvolume=-3\n"
        "\n<region>\nsample=a.wav\nkey=60\n",
        "<group>\ngain=-1\n\n<region>\nsample=a.wav\nkey=60\ngain=-4\n",
        "<region>\nvolume=2\nsample=a.wav\nkey=60\ngain=-4\n",
    ],
)
def test_the_gain_counts_once_however_the_volume_is_written(text):
    source = parse_sfz(text)
    (before,), packed = source.regions, packed_sfz(source, {}, -2.5)
    (after,) = parse_sfz(packed).regions
    assert before.volume_db == -4
    assert after.volume_db == -6.5
    assert "gain=-4" not in packed


def fold_order(tmp_path, sides, **changes):
    time = np.arange(48_000) / 48_000
    left = 0.4 * np.sin(2 * np.pi * 200 * time)
    right = {"equal": left, "unlike": 0.4 * np.sin(2 * np.pi * 317 * time)}[sides]
    soundfile.write(tmp_path / "a.wav", np.stack([left, right], 1), 48_000, subtype="PCM_24")
    default = {
        "source": tmp_path / "a.wav", "target": tmp_path / "o" / "a.wav", "container": "WAV",
        "bits": 16, "bits_before": 24, "mono": True, "loop": None,
    }  # fmt: skip
    return ConversionOrder(**(default | changes))


def test_folding_tells_what_it_takes(tmp_path):
    assert level_when_converted(fold_order(tmp_path, "equal")).lost_db == pytest.approx(0, abs=0.01)
    assert level_when_converted(fold_order(tmp_path, "unlike")).lost_db == pytest.approx(
        3.01, abs=0.05
    )


def test_of_a_looped_sample_the_loop_tells_what_folding_takes(tmp_path):
    order = fold_order(tmp_path, "equal", loop=Loop(start_frame=24_000, end_frame=48_000))
    sides, rate = soundfile.read(order.source)
    sides[:24_000, 1] *= -1
    soundfile.write(order.source, sides, rate, subtype="PCM_24")
    assert level_when_converted(order).lost_db == pytest.approx(0, abs=0.01)
    assert level_when_converted(replace(order, loop=None)).lost_db > 2


def test_folding_keeps_each_samples_power(tmp_path):
    order = fold_order(tmp_path, "unlike")
    (order,), common = with_level_gains([order], [level_when_converted(order)])
    converted_sample(order)
    before = soundfile.read(order.source)[0]
    after = soundfile.read(order.target)[0]
    assert after.ndim == 1
    power = np.sqrt(np.mean(before**2)) / np.sqrt(np.mean(after**2))
    assert 20 * np.log10(power) == pytest.approx(common, abs=0.02)


@pytest.mark.parametrize("mono", [False, True])
def test_float_samples_over_full_scale_do_not_clip_in_fewer_bits(tmp_path, mono):
    order = fold_order(tmp_path, "equal", mono=mono, bits_before=24, volume_db=-9.0)
    sides, rate = soundfile.read(order.source)
    soundfile.write(order.source, 4 * sides, rate, subtype="FLOAT")
    (turned,), up_db = with_level_gains([order], [level_when_converted(order)])
    assert converted_sample(turned) == pytest.approx(-0.3, abs=0.01)
    assert up_db == pytest.approx(4.08 + 0.3, abs=0.01)
    places = [place.id for place in read_wav_layout(order.source).chunks]
    assert "PEAK" in places
    assert "PEAK" not in [place.id for place in read_wav_layout(turned.target).chunks]
    assert soundfile.info(turned.target).channels == (1 if mono else 2)


def test_a_fold_that_would_clip_turns_all_down_alike(tmp_path):
    orders = [fold_order(tmp_path, "equal")] * 2
    turned, common = with_level_gains(
        orders, [FoldedLevel(lost_db=3, peak_dbfs=-1), FoldedLevel(lost_db=1, peak_dbfs=-9)]
    )
    assert common == 0.0  # zones at 0 dB have no room
    assert [one.gain_db for one in turned] == pytest.approx([0.7, -1.3])


def test_what_was_turned_down_is_turned_up_as_far_as_there_is_room(tmp_path):
    order = replace(fold_order(tmp_path, "equal"), volume_db=-1.0)
    _, up_db = with_level_gains([order], [FoldedLevel(lost_db=3, peak_dbfs=-1)])
    assert up_db == pytest.approx(1.0)  # 2.3 dB were taken, the zone leaves one below -0.3 dBFS


def test_dither_and_guard_in_fewer_bits(tmp_path):
    order = fold_order(tmp_path, "equal", mono=False, loop=Loop(start_frame=1000, end_frame=47_000))
    converted_sample(order)
    pcm = soundfile.read(order.target, dtype="int16")[0]
    np.testing.assert_array_equal(pcm[47_000:], pcm[1000:2000])
    exact = soundfile.read(order.source)[0] * 32768
    error = (pcm - exact)[:47_000]
    assert abs(error.mean()) < 0.05
    assert np.abs(error).max() <= 1.51


def test_what_others_wrote_stays_in_smaller_samples(tmp_path):
    order = fold_order(tmp_path, "equal")
    content = order.source.read_bytes() + b"Zz9 \4\0\0\0keep"
    order.source.write_bytes(b"RIFF" + struct.pack("<I", len(content) - 8) + content[8:])
    converted_sample(order)
    assert b"Zz9 \4\0\0\0keep" in order.target.read_bytes()

    sound = soundfile.read(order.source)[0]
    soundfile.write(tmp_path / "a.flac", sound, 48_000, subtype="PCM_24")
    tags = FLAC(tmp_path / "a.flac")
    tags["MOOD"] = "foggy"
    picture = Picture()
    picture.data = b"\x89PNG"
    tags.add_picture(picture)
    tags.save()
    flac = replace(
        order, source=tmp_path / "a.flac", target=tmp_path / "o" / "a.flac", container="FLAC"
    )
    converted_sample(flac)
    found = FLAC(flac.target)
    assert found["MOOD"] == ["foggy"]
    assert [one.data for one in found.pictures] == [b"\x89PNG"]
    assert (found.info.channels, found.info.bits_per_sample) == (1, 16)
    pcm = [soundfile.read(one.target, dtype="int16")[0] for one in (order, flac)]
    np.testing.assert_array_equal(*pcm)
    assert sorted(path.name for path in flac.target.parent.iterdir()) == ["a.flac", "a.wav"]


def test_budgets_are_shared_in_proportion():
    class Sized:
        def __init__(self, size):
            self.facts = type("Facts", (), {"audio_bytes": size})

    three = [Sized(600), Sized(300), Sized(100)]
    assert budget_shares(1000, three, [True] * 3) == [None] * 3
    assert budget_shares(500, three, [True] * 3) == [300, 150, 50]
    assert budget_shares(500, three, [True, True, False]) == [266, 133, None]
    assert budget_shares(50, three, [True, True, False]) == [0, 0, None]
