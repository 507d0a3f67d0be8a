"""Phrases, their level, and the files they end up in."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from keymapper.errors import InputError, OutputError
from keymapper.formats.audio_file import read_audio
from keymapper.formats.ogg_pages import page_checksum, with_serial
from keymapper.formats.sfz import read_sfz
from keymapper.measuring.loudness import integrated_lufs, true_peak_dbtp
from keymapper.model.pack import InstrumentFacts
from keymapper.packing.facts import instrument_facts, sample_infos
from keymapper.packing.levelling import faded, levelled, limited, medley
from keymapper.packing.phrases import composed_phrase, phrase_kind
from keymapper.packing.previews import RATE, PreviewOrder, measured, played, write_preview
from keymapper.proving.events import NoteOff, NoteOn
from keymapper.proving.loading import load_samples
from keymapper.proving.player import Player
from keymapper.proving.proof import player_settings

KINDS = ("chords", "bass", "melody", "pluck", "hits")


@given(
    st.sampled_from(KINDS),
    st.lists(st.integers(0, 127), min_size=1, max_size=128, unique=True).map(sorted),
)
def test_every_phrase_lies_on_keys_that_sound(kind, keys):
    phrase = composed_phrase(kind, keys)
    assert {note.key for note in phrase.notes} <= set(keys)
    assert all(1 <= note.velocity <= 127 for note in phrase.notes)
    assert all(0 <= note.on_seconds < note.off_seconds < 60 for note in phrase.notes)
    assert list(phrase.notes) == sorted(phrase.notes, key=lambda one: (one.on_seconds, one.key))
    assert composed_phrase(kind, keys) == phrase


def test_kinds_sound_their_part():
    keys = range(36, 97)
    chords = composed_phrase("chords", keys).notes
    assert min(sum(one.on_seconds == on for one in chords) for on in (0, 2.5, 5, 7.5)) >= 3
    melody = composed_phrase("melody", keys).notes
    assert all(a.off_seconds <= b.on_seconds for a, b in itertools.pairwise(melody))
    hits = composed_phrase("hits", [36, 38, 42]).notes
    assert [one.key for one in hits[:3]] == [36, 38, 42]


def facts(**changes):
    default = {
        "low_key": 48, "high_key": 84, "zones": 1, "samples": 1, "velocity_layers": 1,
        "round_robins": 1, "voices": 1, "controls": (), "looped": True, "one_shots": False,
        "rates": (48000,), "bits": (24,), "channels": (2,), "file_bytes": 1, "audio_bytes": 1,
        "memory_bytes": 1,
    }  # fmt: skip
    return InstrumentFacts(**(default | changes))


@pytest.mark.parametrize(
    ("kind", "changes"),
    [
        ("hits", {"one_shots": True, "looped": False}),
        ("bass", {"low_key": 24, "high_key": 60}),
        ("pluck", {"looped": False}),
        ("melody", {"channels": (1,)}),
        ("chords", {}),
    ],
)
def test_an_instrument_gets_what_suits_it(kind, changes):
    assert phrase_kind(facts(**changes)) == kind


def hit_sound(seconds=4.0):
    """Struck noise twice a second, whose peaks stand 15 dB and more over its loudness."""
    random = np.random.default_rng(5)
    time = np.arange(round(seconds * RATE)) % (RATE // 2) / RATE
    sound = 0.1 * random.standard_normal((len(time), 2)) * np.exp(-time / 0.05)[:, np.newaxis]
    assert true_peak_dbtp(sound) - integrated_lufs(sound, RATE) > 15.5
    return sound


@pytest.mark.parametrize("gain_db", [-40, -12, 0, 12])
def test_previews_are_as_loud_as_each_other(gain_db):
    time = np.arange(5 * RATE) / RATE
    tone = (0.3 * np.sin(2 * np.pi * 300 * time))[:, np.newaxis].repeat(2, axis=1)
    for sound in (tone, hit_sound()):
        result = levelled(sound * 10 ** (gain_db / 20), RATE)
        assert integrated_lufs(result, RATE) == pytest.approx(-16.0, abs=0.2)
        assert true_peak_dbtp(result) <= -1.0 + 1e-6


def test_a_sound_of_nothing_but_peaks_stays_softer():
    sound = np.zeros((4 * RATE, 2))
    sound[:: RATE // 2] = 0.9
    result = levelled(sound, RATE)
    assert true_peak_dbtp(result) <= -1.0 + 1e-6
    assert integrated_lufs(result, RATE) < -17.0


@pytest.mark.parametrize("sound", [np.zeros((RATE, 2)), np.zeros((0, 2)), np.full((500, 2), 0.5)])
def test_silence_and_short_sounds_are_no_trouble(sound):
    result = levelled(sound, RATE)
    assert result.shape == sound.shape
    assert np.isfinite(result).all()
    assert np.abs(result).max(initial=0.0) <= 1.0


def test_the_limiter_leaves_what_is_below_the_ceiling():
    sound = hit_sound()
    quiet = sound / np.abs(sound).max() * 0.5
    np.testing.assert_array_equal(limited(quiet, RATE, -1.0), quiet)
    loud = limited(quiet * 8, RATE, -1.0)
    assert true_peak_dbtp(loud) <= -0.9


def test_fades_begin_and_end_in_silence():
    sound = faded(np.ones((RATE, 2)), RATE, 0.01, 0.5)
    assert abs(sound[0]).max() < 1e-3
    assert abs(sound[-1]).max() < 1e-3
    assert sound[RATE // 4].tolist() == [1, 1]


def test_a_medley_holds_a_piece_of_each():
    sounds = [np.full((10 * RATE, 2), value) for value in (0.1, 0.2, 0.3)]
    joined = medley(sounds, RATE, 6.0, 1.0)
    assert len(joined) == 19 * RATE
    for second, value in ((3, 0.1), (9, 0.2), (15, 0.3)):
        assert joined[second * RATE, 0] == pytest.approx(value)


@pytest.fixture(scope="module")
def lantern(shelf):
    reading = read_sfz(shelf / "Lantern" / "Lantern.sfz")
    return reading.path, instrument_facts(reading, sample_infos(reading))


def order(lantern, target, **changes):
    sfz, known = lantern
    default = {"sfz": sfz, "facts": known, "choice": "auto", "midi": None, "target": target,
               "tags": {"title": "Lantern", "artist": "Zoë", "license": "CC0-1.0"}}  # fmt: skip
    return PreviewOrder(**(default | changes))


def test_a_preview_is_two_files_of_the_right_level(lantern, tmp_path):
    found = write_preview(order(lantern, tmp_path / "p"))
    for suffix in (".flac", ".ogg"):
        audio = read_audio(tmp_path / f"p{suffix}")
        assert audio.info.rate == RATE
        assert integrated_lufs(audio.samples, RATE) == pytest.approx(-16.0, abs=0.5)
        assert true_peak_dbtp(audio.samples) <= -0.9
        assert soundfile.SoundFile(tmp_path / f"p{suffix}").title == "Lantern"
    assert found.kind == "melody"
    assert found.width_percent == 0.0
    assert 200 < found.brightness_hz < 2000


def test_a_preview_is_the_same_bytes_every_time(lantern, tmp_path):
    for name in ("a", "b"):
        write_preview(order(lantern, tmp_path / name))
    for suffix in (".flac", ".ogg"):
        first, second = ((tmp_path / f"{name}{suffix}").read_bytes() for name in "ab")
        assert first == second


def midi(path, notes):
    import mido

    track = mido.MidiTrack()
    for kind, key, ticks in notes:
        track.append(mido.Message(kind, note=key, velocity=90, time=ticks))
    mido.MidiFile(type=0, ticks_per_beat=480, tracks=[track]).save(path)


def test_a_midi_file_is_played_chords_and_all(lantern, tmp_path):
    notes = [("note_on", 60, 960), ("note_on", 62, 0), ("note_off", 60, 960), ("note_off", 62, 0)]
    midi(tmp_path / "m.mid", notes)
    found = write_preview(order(lantern, tmp_path / "p", midi=tmp_path / "m.mid"))
    assert found.kind == "midi"
    assert 1.0 < found.seconds < 2.0


def test_a_midi_file_that_reaches_no_key_gives_none(lantern, tmp_path):
    midi(tmp_path / "m.mid", [("note_on", 20, 0), ("note_off", 20, 480)])
    assert write_preview(order(lantern, tmp_path / "p", midi=tmp_path / "m.mid")) is None


def test_a_midi_file_that_is_none_is_one_line(lantern, tmp_path):
    (tmp_path / "m.mid").write_bytes(b"no")
    with pytest.raises(InputError, match=r"m\.mid"):
        write_preview(order(lantern, tmp_path / "p", midi=tmp_path / "m.mid"))


def test_no_preview_where_none_is_wanted(lantern, tmp_path):
    assert write_preview(order(lantern, tmp_path / "p", choice="none")) is None
    assert list(tmp_path.iterdir()) == []


def test_width_and_brightness_tell_sounds_apart():
    random = np.random.default_rng(2).standard_normal((RATE, 2)) * 0.1
    wide, narrow = measured("midi", random), measured("midi", random[:, :1].repeat(2, axis=1))
    assert wide.width_percent == pytest.approx(50, abs=3)
    assert narrow.width_percent == 0.0
    time = np.arange(RATE) / RATE
    tone = np.sin(2 * np.pi * 440 * time)[:, np.newaxis].repeat(2, axis=1)
    assert measured("midi", tone).brightness_hz == pytest.approx(440, abs=10)


def test_ogg_pages_keep_their_sound_under_another_number(tmp_path):
    sound = 0.1 * np.random.default_rng(1).standard_normal((RATE, 1))
    soundfile.write(tmp_path / "a.ogg", sound, RATE)
    content = (tmp_path / "a.ogg").read_bytes()
    (tmp_path / "b.ogg").write_bytes(with_serial(content, 7))
    one, other = (soundfile.read(tmp_path / name)[0] for name in ("a.ogg", "b.ogg"))
    np.testing.assert_array_equal(one, other)
    assert with_serial(content, int.from_bytes(content[14:18], "little")) == content


def test_the_page_checksum_is_that_of_the_format():
    assert page_checksum(b"123456789") == 0x89A1897F  # CRC-32 0x04C11DB7, no reflection, from 0


def test_what_is_no_ogg_is_refused():
    with pytest.raises(OutputError, match="no Ogg"):
        with_serial(b"RIFF", 1)


def test_a_phrase_sounds_as_the_player_plays_it(lantern):
    """One sample after the other gives what all at once would."""
    reading = read_sfz(lantern[0])
    phrase = composed_phrase("chords", range(60, 64))
    sound = played(reading, phrase)
    settings = replace(player_settings(reading, ()), rate=RATE)
    player = Player(reading.regions, load_samples(reading.regions), settings)
    events = [
        event
        for note in phrase.notes
        for event in (
            NoteOn(at_frame=round(note.on_seconds * RATE), key=note.key, velocity=note.velocity),
            NoteOff(at_frame=round(note.off_seconds * RATE), key=note.key),
        )
    ]
    events.sort(key=lambda one: (one.at_frame, isinstance(one, NoteOn), one.key))
    whole = player.render(player.voices(events), len(sound))
    np.testing.assert_allclose(sound, whole, atol=1e-5)
