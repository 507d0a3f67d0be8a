"""Takes cut by their plan: nothing lost, nothing invented, nothing named wrongly."""

import itertools
from dataclasses import replace

import numpy as np
import pytest

from keymapper.cutting import heard_pitch
from keymapper.errors import MeasurementError
from keymapper.model.session import SessionSettings
from keymapper.planning.sheet import plan_session
from keymapper.slicing.evidence import HeardPitch
from keymapper.slicing.hearing import hear_take
from keymapper.slicing.planned import refuse_if_foreign, slice_by_plan
from tests.session_takes import PATCHES, Key, Recording, render_take
from tests.slicing.takes import ArrayTake, played, sheet_of

SHEET = sheet_of(range(40, 76, 5), (50, 110))
TIMES = ("on_seconds", "off_seconds", "until_seconds")
PAD_SHEET = sheet_of(range(45, 70, 6), (60, 110), spacing=4.2, hold=2.6)


def pitch_of(samples, rate):
    """The strongest partial; good enough for the rendered lead."""
    spectrum = np.abs(np.fft.rfft(samples[:, 0] * np.hanning(len(samples)), 1 << 17))
    peak_hz = float(np.argmax(spectrum)) * rate / (1 << 17)
    return HeardPitch(key=69 + 12 * np.log2(peak_hz / 440), confidence=0.99)


def errors_ms(cut, take):
    truth = {note.plan_index: note for note in take.notes}
    return np.array(
        [
            1000 * (note.onset_seconds - truth[note.plan_index].onset_seconds)
            for note in cut.notes
            if note.plan_index is not None
        ]
    )


def indexes(cut):
    return [note.plan_index for note in cut.notes]


@pytest.mark.parametrize("patch", ["lead", "pluck", "bass", "bell", "chorus", "breath", "tails"])
def test_every_note_of_a_drifting_take_is_found_to_the_millisecond(patch):
    how = Recording(latency_seconds=1.234, drift_ppm=-310.0, noise_dbfs=-75.0, hum_dbfs=-75.0)
    take, heard = played(SHEET, patch, how)
    cut = slice_by_plan(heard, SHEET)
    assert indexes(cut) == list(range(len(SHEET.notes)))
    assert cut.missing == cut.outside == ()
    errors = errors_ms(cut, take)
    assert np.median(np.abs(errors)) <= 1.0
    assert np.percentile(np.abs(errors), 95) <= 3.0
    assert np.mean(errors > 0.5) <= 0.05
    assert abs(cut.latency_seconds - 1.234) < 0.002
    assert abs(cut.drift_ppm + 310.0) < 60


@pytest.mark.parametrize("patch", ["pad", "click_pad"])
def test_slow_pads_are_one_note_each(patch):
    take, heard = played(PAD_SHEET, patch, Recording(drift_ppm=200.0, noise_dbfs=-85.0))
    cut = slice_by_plan(heard, PAD_SHEET)
    assert indexes(cut) == list(range(len(PAD_SHEET.notes)))
    assert np.median(np.abs(errors_ms(cut, take))) <= 10.0


@pytest.mark.parametrize("noise_dbfs", [-95.0, -75.0])
def test_what_grows_along_a_curve_is_not_cut_late(noise_dbfs):
    how = Recording(latency_seconds=0.8, drift_ppm=-130.0, noise_dbfs=noise_dbfs)
    take, heard = played(PAD_SHEET, "curved_pad", how)
    cut = slice_by_plan(heard, PAD_SHEET)
    assert indexes(cut) == list(range(len(PAD_SHEET.notes)))
    errors = errors_ms(cut, take)
    assert np.median(np.abs(errors)) <= 8.0
    assert errors.max() <= 12.0


@pytest.mark.parametrize(("noise_dbfs", "late_ms"), [(None, 0.5), (-90.0, 0.5), (-70.0, 6.0)])
def test_how_all_notes_of_a_curved_patch_grow_tells_when_keys_went_down(noise_dbfs, late_ms):
    sheet = sheet_of(range(45, 70, 3), (60, 110), spacing=3.7, hold=2.7)
    how = Recording(latency_seconds=0.8, drift_ppm=-130.0, noise_dbfs=noise_dbfs)
    take, heard = played(sheet, "curved_pad", how)
    cut = slice_by_plan(heard, sheet)
    assert [note.plan_index for note in cut.notes] == list(range(len(sheet.notes)))
    errors = errors_ms(cut, take)
    assert np.median(np.abs(errors)) <= max(1.0, late_ms)
    assert np.percentile(errors, 95) <= late_ms
    assert abs(cut.latency_seconds - 0.8) < 0.04


@pytest.mark.parametrize(("lowest", "noise_dbfs"), [(45, -60.0), (48, -60.0), (45, -65.0)])
def test_notes_along_a_curve_are_seen_through_noise_by_the_power_that_most_follow(
    lowest, noise_dbfs
):
    sheet = sheet_of(range(lowest, lowest + 25, 3), (60, 110), spacing=3.7, hold=2.7)
    how = Recording(latency_seconds=0.8, drift_ppm=-130.0, noise_dbfs=noise_dbfs, hum_dbfs=-65.0)
    take, heard = played(sheet, "curved_pad", how)
    cut = slice_by_plan(heard, sheet)
    plan = np.array([note.on_seconds for note in sheet.notes])
    late = cut.latency_seconds - 0.8 + 1e-6 * (cut.drift_ppm + 130.0) * plan
    assert 1000 * np.abs(late).max() <= 4.0
    errors = errors_ms(cut, take)
    assert np.median(np.abs(errors)) <= 0.2
    assert errors.max() <= 0.5


@pytest.mark.parametrize(("lowest", "seed"), [(40, 1), (40, 2)])
def test_low_soft_pads_are_not_cut_late_in_noise(lowest, seed):
    sheet = sheet_of(range(lowest, lowest + 22, 3), (30, 60), spacing=4.2, hold=2.7)
    how = Recording(drift_ppm=-130.0, noise_dbfs=-60.0, hum_dbfs=-65.0, seed=seed)
    take, heard = played(sheet, "pad", how)
    errors = errors_ms(slice_by_plan(heard, sheet), take)
    assert errors.max() <= 0.5
    assert np.percentile(np.abs(errors), 95) <= 12.0


def test_what_swells_for_two_seconds_in_noise_is_named_by_its_pitches():
    voices = (-12.0, -5.0, 0.0, 6.0, 11.0)
    patch = replace(PATCHES["curved_pad"], attack_seconds=1.85, voices_cents=voices)
    sheet = sheet_of(range(30, 66, 7), (30, 70, 120), spacing=3.3, hold=2.55)
    take = render_take(sheet.notes, patch, Recording(latency_seconds=0.8, noise_dbfs=-55.0))
    heard = hear_take(ArrayTake(take.samples, take.rate_hz))
    cut = slice_by_plan(heard, sheet, heard_pitch)
    assert indexes(cut) == list(range(len(sheet.notes)))
    assert np.median(np.abs(errors_ms(cut, take))) <= 100.0


@pytest.mark.parametrize(
    ("attack_seconds", "power", "noise_dbfs"), [(0.25, 2.0, -60.0), (0.3, 3.0, -60.0)]
)
def test_notes_are_followed_only_while_they_rise(attack_seconds, power, noise_dbfs):
    patch = replace(PATCHES["curved_pad"], attack_seconds=attack_seconds, attack_power=power)
    sheet = sheet_of(range(45, 70, 3), (60, 110), spacing=3.7, hold=2.7)
    how = Recording(latency_seconds=0.8, drift_ppm=-130.0, noise_dbfs=noise_dbfs)
    take = render_take(sheet.notes, patch, how)
    cut = slice_by_plan(hear_take(ArrayTake(take.samples, take.rate_hz)), sheet)
    errors = errors_ms(cut, take)
    assert np.median(np.abs(errors)) <= 0.5
    assert errors.max() <= 0.5
    assert abs(cut.latency_seconds - 0.8) < 0.002


@pytest.mark.parametrize(("patch", "most_early_ms"), [("curved_pad", 10.0), ("pad", 5.0)])
def test_sync_notes_too_short_to_swell_are_seen_in_noise_too(patch, most_early_ms):
    settings = SessionSettings(
        lowest_key=40, highest_key=64, every=6, velocities=(45, 110), hold_seconds=2.7,
        release_seconds=1.0, pause_seconds=0.2, sync_notes=4,
    )  # fmt: skip
    sheet = plan_session(settings)
    how = Recording(latency_seconds=0.8, drift_ppm=-130.0, noise_dbfs=-60.0, hum_dbfs=-65.0)
    take, heard = played(sheet, patch, how)
    errors = errors_ms(slice_by_plan(heard, sheet), take)
    assert errors[:4].min() >= -most_early_ms
    assert errors[:4].max() <= 0.5


@pytest.mark.parametrize(("lowest", "every"), [(40, 12), (43, 6)])
def test_a_few_notes_tell_along_which_curve_they_rise(lowest, every):
    settings = SessionSettings(
        lowest_key=lowest, highest_key=lowest + 12, every=every, velocities=(100,),
        hold_seconds=2.7, release_seconds=1.0, pause_seconds=0.2, sync_notes=4,
    )  # fmt: skip
    sheet = plan_session(settings)
    how = Recording(latency_seconds=0.8, drift_ppm=-130.0, noise_dbfs=-60.0, hum_dbfs=-65.0)
    take, heard = played(sheet, "curved_pad", how)
    cut = slice_by_plan(heard, sheet)
    plan = np.array([note.on_seconds for note in sheet.notes])
    late = cut.latency_seconds - 0.8 + 1e-6 * (cut.drift_ppm + 130.0) * plan
    assert 1000 * np.abs(late).max() <= 12.0
    errors = errors_ms(cut, take)
    assert errors.min() >= -12.0
    assert errors.max() <= 0.5


def test_keys_going_down_before_curved_notes_are_heard_are_no_notes_of_their_own():
    sheet = sheet_of(range(36, 64, 4), (60, 110), spacing=3.7, hold=2.7)
    _, heard = played(sheet, "curved_pad", Recording(noise_dbfs=None))
    cut = slice_by_plan(heard, sheet)
    assert [note.plan_index for note in cut.notes] == list(range(len(sheet.notes)))


def test_missing_doubled_and_extra_notes_are_told_by_their_place():
    how = Recording(
        missing=frozenset({3, 9}),
        doubled={5: 0.25},
        extra=(Key(key=80, velocity=90, on_seconds=11.9, off_seconds=12.3),),
    )
    _, heard = played(SHEET, "pluck", how)
    cut = slice_by_plan(heard, SHEET)
    assert cut.missing == (3, 9)
    extras = [note for note in cut.notes if note.plan_index is None]
    assert [note.doubles_plan_index for note in extras] == [5, None]
    assert [note.doubtful for note in extras] == [
        ("not in the plan: begins while note 5 is held",),
        ("not in the plan",),
    ]
    after = max(i for i, note in enumerate(SHEET.notes) if note.on_seconds < 11.9)
    assert [note.after_plan_index for note in extras] == [5, after]
    assert [i for i in indexes(cut) if i is not None] == [
        i for i in range(len(SHEET.notes)) if i not in (3, 9)
    ]


@pytest.mark.parametrize(
    ("how", "outside"),
    [
        (Recording(start_late_seconds=6.0), (0, 1, 2, 3)),
        (Recording(stop_early_seconds=6.0), (14, 15)),
    ],
)
def test_a_take_started_late_or_stopped_early_keeps_its_names(how, outside):
    take, heard = played(SHEET, "lead", how)
    cut = slice_by_plan(heard, SHEET)
    assert np.abs(errors_ms(cut, take)).max() < 3
    found = {note.plan_index for note in take.notes}
    assert set(indexes(cut)) == found
    assert set(cut.outside) | set(cut.missing) == set(range(len(SHEET.notes))) - found
    assert set(outside) >= set(cut.outside)


def test_where_timing_repeats_itself_pitch_decides():
    sheet = sheet_of(range(40, 70, 3), uneven=False)
    take, heard = played(sheet, "lead", Recording(start_late_seconds=6.0))
    cut = slice_by_plan(heard, sheet, pitch_of)
    assert indexes(cut) == [note.plan_index for note in take.notes]
    other = sheet_of([*range(69, 40, -3)], uneven=False)
    _, heard = played(sheet, "lead", Recording())
    with pytest.raises(MeasurementError, match=r"only \d+ of \d+ have the planned key"):
        slice_by_plan(heard, other, pitch_of)


def test_soft_notes_6_db_above_the_noise_are_found():
    how = Recording(noise_dbfs=-47.0, peak=0.027)
    sheet = replace(SHEET, notes=tuple(replace(n, velocity=110) for n in SHEET.notes))
    take, heard = played(sheet, "lead", how)
    assert np.median([note.signal_to_noise_db for note in take.notes]) < 9
    cut = slice_by_plan(heard, sheet)
    assert indexes(cut) == list(range(len(sheet.notes)))
    assert all("soft" in note.doubtful[0] for note in cut.notes if note.signal_to_noise_db < 9)


def test_another_session_is_refused_with_the_evidence():
    other = sheet_of(range(30, 60, 2), (50, 110), spacing=2.3)
    _, heard = played(SHEET, "lead", Recording())
    with pytest.raises(MeasurementError, match=r"\d+ of \d+ planned notes and \d+ of \d+ heard"):
        slice_by_plan(heard, other)


def test_silence_and_next_to_nothing_are_refused():
    with pytest.raises(MeasurementError, match=r"the take is silent \(its peak is -200 dBFS\)"):
        hear_take(ArrayTake(np.zeros((48_000, 1)), 48_000))
    with pytest.raises(MeasurementError, match=r"shorter than 0\.1 s"):
        hear_take(ArrayTake(np.zeros((3, 1)), 48_000))
    noise = np.random.default_rng(1).normal(0, 0.01, (96_000, 1))
    with pytest.raises(MeasurementError, match="no note begins"):
        slice_by_plan(hear_take(ArrayTake(noise, 48_000)), SHEET)


def test_a_note_ends_in_the_noise_or_at_the_next_onset():
    _, heard = played(SHEET, "lead", Recording(noise_dbfs=-80.0))
    for note in slice_by_plan(heard, SHEET).notes:
        assert 0.8 < note.end_seconds - note.onset_seconds < 1.2
        assert not note.doubtful
    _, heard = played(SHEET, "tails", Recording(noise_dbfs=-80.0))
    notes = slice_by_plan(heard, SHEET).notes
    for note, following in itertools.pairwise(notes):
        assert note.end_seconds == pytest.approx(following.onset_seconds - 0.002, abs=1e-4)
        assert any("still rings" in doubt for doubt in note.doubtful)


def test_a_clipped_take_is_told():
    take, _ = played(SHEET, "lead", Recording())
    loud = ArrayTake(np.clip(4 * take.samples, -1, 1), take.rate_hz)
    notes = slice_by_plan(hear_take(loud), SHEET).notes
    assert any("full scale" in doubt for doubt in notes[1].doubtful)
    assert not notes[0].doubtful


def test_what_was_played_by_hand_is_lined_up_by_its_pitches():
    sheet = sheet_of([40, 47, 43, 43, 52, 40, 57, 49, 45, 60], (100,), spacing=2.0)
    how = Recording(jitter_seconds=0.4, missing=frozenset({3}), latency_seconds=2.0)
    take, heard = played(sheet, "lead", how)
    cut = slice_by_plan(heard, sheet, pitch_of)
    assert indexes(cut) == [0, 1, 2, 4, 5, 6, 7, 8, 9]
    assert np.abs(errors_ms(cut, take)).max() < 2
    assert cut.missing == (3,)
    assert "played by hand" in cut.remarks[0]


@pytest.mark.parametrize("pace", [0.8, 1.3])
def test_whoever_plays_by_hand_keeps_a_pace_of_their_own(pace):
    sheet = sheet_of([40, 47, 43, 43, 52, 40, 57, 49, 45, 60], (100,), spacing=2.0)
    notes = [replace(n, **{name: pace * getattr(n, name) for name in TIMES}) for n in sheet.notes]
    how = Recording(jitter_seconds=0.3, missing=frozenset({3}), latency_seconds=2.0)
    _, heard = played(replace(sheet, notes=tuple(notes)), "lead", how)
    cut = slice_by_plan(heard, sheet, pitch_of)
    assert indexes(cut) == [0, 1, 2, 4, 5, 6, 7, 8, 9]
    assert cut.missing == (3,)
    assert abs(cut.drift_ppm * 1e-6 - (pace - 1)) < 0.05
    other = sheet_of([60, 45, 49, 57, 40, 52, 43, 43, 47, 40], (100,), spacing=2.0)
    with pytest.raises(MeasurementError, match="does not fit"):
        slice_by_plan(heard, other, pitch_of)


@pytest.mark.parametrize("patch", ["lead", "chorus"])
def test_a_note_played_late_is_told(patch):
    late = replace(SHEET.notes[5], on_seconds=SHEET.notes[5].on_seconds + 0.04)
    notes = (*SHEET.notes[:5], late, *SHEET.notes[6:])
    _, heard = played(replace(SHEET, notes=notes), patch, Recording())
    told = {
        note.plan_index: doubt
        for note in slice_by_plan(heard, SHEET).notes
        for doubt in note.doubtful
        if doubt.startswith("begins")
    }
    assert list(told) == [5]
    assert told[5].startswith(("begins +39", "begins +40", "begins +41"))


def test_patches_that_begin_at_once_tell_the_time_for_slow_ones_too():
    pads = sheet_of(range(45, 70, 3), (60, 110), spacing=3.4, hold=2.0)
    leads = sheet_of(range(40, 76, 5), (110,))
    moved = [
        replace(
            note, patch=1, **{name: getattr(note, name) + pads.duration_seconds for name in TIMES}
        )
        for note in leads.notes
    ]
    sheet = replace(
        pads,
        patches=(*pads.patches, *leads.patches),
        patch_starts_seconds=(0.0, pads.duration_seconds),
        notes=(*pads.notes, *moved),
        duration_seconds=pads.duration_seconds + leads.duration_seconds,
    )
    how = Recording(latency_seconds=1.1, drift_ppm=140.0, noise_dbfs=-80.0)
    parts = [
        render_take(pads.notes, PATCHES["curved_pad"], how),
        render_take(moved, PATCHES["lead"], how),
    ]
    samples = np.zeros((max(len(part.samples) for part in parts), parts[0].samples.shape[1]))
    for part in parts:
        samples[: len(part.samples)] += part.samples
    cut = slice_by_plan(hear_take(ArrayTake(samples, parts[0].rate_hz), None), sheet)
    assert cut.missing == ()
    assert abs(cut.latency_seconds - 1.1) < 0.0015
    assert abs(cut.drift_ppm - 140.0) < 60


def with_echoes(samples, rate, count=4, seconds=0.27):
    """The take with echoes of itself, each at 60 % of the one before."""
    step = round(seconds * rate)
    wet = samples.copy()
    for number in range(1, count + 1):
        wet[number * step :] += 0.6**number * samples[: -number * step]
    return 0.6 * wet


def with_crackle(samples, rate):
    draw = np.random.default_rng(4)
    wet = samples.copy()
    places = draw.integers(0, len(wet), len(wet) // rate * 6)
    wet[places] += draw.normal(0, 0.05, (len(places), 1))
    return wet


@pytest.mark.parametrize(("disturbed", "patch"), [(with_echoes, "lead"), (with_crackle, "pluck")])
def test_whatever_else_sounds_a_take_of_all_planned_notes_is_cut(disturbed, patch):
    sheet = sheet_of([40, 61, 45, 66, 52, 43, 58, 47, 64, 50], spacing=2.0, hold=0.2)
    take, _ = played(sheet, patch, Recording(latency_seconds=0.7))
    heard = hear_take(ArrayTake(disturbed(take.samples, take.rate_hz), take.rate_hz))
    cut = slice_by_plan(heard, sheet, pitch_of)
    assert [i for i in indexes(cut) if i is not None] == list(range(len(sheet.notes)))
    assert np.median(np.abs(errors_ms(cut, take))) <= 1.0
    other = sheet_of([47, 40, 66, 50, 43, 64, 61, 52, 45, 58], spacing=1.8, hold=0.2)
    with pytest.raises(MeasurementError, match="does not fit"):
        slice_by_plan(heard, other, pitch_of)


def restless(samples, rate, a_second, seed):
    """The take, louder and softer by chance so many times a second, in a little noise."""
    draw = np.random.default_rng(seed)
    seconds = np.arange(len(samples)) / rate
    corners = np.arange(0, seconds[-1] + 1, 1 / a_second)
    level = np.interp(seconds, corners, draw.uniform(0.05, 1, len(corners)) ** 2)
    return samples * level[:, None] + draw.normal(0, 1e-4, samples.shape)


def test_a_patch_that_never_rests_is_cut_where_its_pitches_tell_the_place():
    sheet = sheet_of(range(45, 70, 4), (45, 110), spacing=4.0, hold=2.6)
    take, _ = played(sheet, "pad", Recording(drift_ppm=200.0, noise_dbfs=None))
    wet = ArrayTake(restless(take.samples, take.rate_hz, a_second=8, seed=1), take.rate_hz)
    cut = slice_by_plan(hear_take(wet), sheet, pitch_of)
    assert [i for i in indexes(cut) if i is not None] == list(range(len(sheet.notes)))


@pytest.mark.parametrize("seed", range(4))
def test_swells_of_noise_are_no_take_of_a_plan(seed):
    sheet = sheet_of(range(40, 62))
    noise = np.random.default_rng(seed).normal(0, 0.2, ((38 * 48_000), 1))
    heard = hear_take(ArrayTake(restless(noise, 48_000, a_second=2.5, seed=seed), 48_000))
    with pytest.raises(MeasurementError, match="does not fit"):
        slice_by_plan(heard, sheet, pitch_of_tones)


@pytest.mark.parametrize("depth", [0.6, 0.8])
def test_a_note_by_itself_is_extra_however_restless_the_patch(depth):
    let_go = SHEET.notes[6].off_seconds
    extra = Key(key=66, velocity=110, on_seconds=let_go + 0.35, off_seconds=let_go + 0.65)
    take, _ = played(SHEET, "lead", Recording(extra=(extra,)))
    seconds = np.arange(len(take.samples)) / take.rate_hz
    chopped = 1 - depth * (np.sin(2 * np.pi * 4 * seconds) > 0)
    heard = hear_take(ArrayTake(take.samples * chopped[:, None], take.rate_hz))
    true = [note.onset_seconds for note in take.notes if note.plan_index is None]
    told = [n.onset_seconds for n in slice_by_plan(heard, SHEET).notes if n.plan_index is None]
    assert told == pytest.approx(true, abs=0.01)


def kit_take(keys_hz, sheet, late_seconds=0.0, noise_seconds=0.12, hum=0.0):
    """Every key a drum of its own pitch, which is not that of the key; None is noise."""
    rate, draw = 48_000, np.random.default_rng(3)
    samples = draw.normal(0, 1e-4, (round((sheet.duration_seconds + 2) * rate), 1))
    samples[:, 0] += hum * np.sin(2 * np.pi * 60 / rate * np.arange(len(samples)))
    seconds = np.arange(round(0.5 * rate)) / rate
    for note in sheet.notes:
        first = round((note.on_seconds + 0.6) * rate)
        hertz = keys_hz(note.key)
        is_noise = hertz is None
        hit = draw.normal(0, 0.3, len(seconds)) if is_noise else np.sin(2 * np.pi * hertz * seconds)
        hit *= np.exp(-seconds / (noise_seconds if is_noise else 0.12))
        samples[first : first + len(hit), 0] += 0.3 * hit
    return ArrayTake(samples[round(late_seconds * rate) :], rate)


def test_drums_whose_pitches_are_not_those_of_their_keys_are_cut_by_their_timing():
    sheet = sheet_of(range(36, 60, 2), uneven=False)
    take = kit_take(lambda key: 60.0 + 1500.0 * ((key * 7) % 23) / 23, sheet)
    cut = slice_by_plan(hear_take(take), sheet, pitch_of)
    assert indexes(cut) == list(range(len(sheet.notes)))
    assert abs(cut.latency_seconds - 0.6) < 0.002
    assert "do not sound at their pitches" in cut.remarks[0]


def shuffled_session(keys, seed):
    """Every key at three velocities, twice; the timing is that of any other seed."""
    return plan_session(
        SessionSettings(
            keys=keys, velocities=(40, 80, 120), repeats=2, order="shuffled", seed=seed,
            hold_seconds=0.3, release_seconds=1.0,
        )
    )  # fmt: skip


TOMS = {41: 78.0, 45: 123.0, 36: 51.0}
TUNED_TOMS = {41: 65.41, 45: 87.31, 48: 98.0, 50: 110.0}


def pitch_of_tones(samples, rate):
    """The strongest partial; None where it does not stand out, as in noise."""
    found = pitch_of(samples, rate)
    seconds = np.arange(len(samples)) / rate
    hertz = 440.0 * 2 ** ((found.key - 69) / 12)
    tone = np.abs(np.mean(samples[:, 0] * np.exp(-2j * np.pi * hertz * seconds)))
    return found if tone > 0.2 * np.sqrt(np.mean(samples**2)) else None


@pytest.mark.parametrize(
    ("toms", "keys"),
    [
        (TOMS, (36, 38, 41, 42, 45, 46, 49)),
        (TOMS, (36, 38, 41, 45)),
        (TUNED_TOMS, (36, 38, 41, 42, 45, 46, 48, 49, 50)),
    ],
)
def test_a_few_toms_among_drums_without_a_pitch_are_cut_by_their_timing(toms, keys):
    sheet = shuffled_session(keys, seed=1)
    take = kit_take(toms.get, sheet)
    cut = slice_by_plan(hear_take(take), sheet, pitch_of_tones)
    assert indexes(cut) == list(range(len(sheet.notes)))
    assert "do not sound at their pitches" in cut.remarks[0]


def test_hum_is_not_the_pitch_of_a_drum_that_has_died_away():
    sheet = shuffled_session(range(36, 48), seed=1)
    toms = {key: 440 * 2 ** ((key - 1.5 - 69) / 12) for key in (41, 43, 45, 47)}
    take = kit_take(toms.get, sheet, noise_seconds=0.02, hum=0.001)
    cut = slice_by_plan(hear_take(take), sheet, pitch_of_tones)
    assert indexes(cut) == list(range(len(sheet.notes)))
    assert "do not sound at their pitches" in cut.remarks[0]


@pytest.mark.parametrize("seed", range(4))
def test_drums_hit_at_equal_distances_are_cut_by_their_order(seed):
    draw = np.random.default_rng(seed)
    keys = sorted(draw.choice(np.arange(36, 56), 6, replace=False).tolist())
    toms = {int(key): 60 * 2 ** draw.uniform(0, 1.8) for key in draw.choice(keys, 4, replace=False)}
    sheet = sheet_of(keys * 3, uneven=False)
    cut = slice_by_plan(hear_take(kit_take(toms.get, sheet)), sheet, pitch_of_tones)
    assert indexes(cut) == list(range(len(sheet.notes)))
    assert abs(cut.latency_seconds - 0.6) < 0.002


IN_SEMITONES = {41: 98.0, 45: 207.65, 48: 87.31, 50: 155.56}
"""Pitches of four of five drums, by chance those of other keys."""


def test_where_the_first_note_begins_tells_what_timing_and_pitches_cannot():
    sheet = sheet_of((38, 41, 45, 48, 50) * 3, uneven=False)
    heard = hear_take(kit_take(IN_SEMITONES.get, sheet))
    with pytest.raises(MeasurementError, match=r"the planned key.* --starts"):
        slice_by_plan(heard, sheet, pitch_of_tones)
    first_seconds = sheet.notes[0].on_seconds + 0.6
    cut = slice_by_plan(heard, sheet, pitch_of_tones, first_seconds + 0.3)
    assert indexes(cut) == list(range(len(sheet.notes)))
    assert "do not sound at their pitches" in cut.remarks[0]
    with pytest.raises(MeasurementError, match=rf"may begin at .*{first_seconds:.1f}"):
        slice_by_plan(heard, sheet, pitch_of_tones, first_seconds + 100.0)


def test_another_session_is_refused_wherever_its_first_note_is_said_to_begin():
    keys = (41, 43, 46, 50)
    sheet = shuffled_session(keys, seed=1)
    _, heard = played(sheet, "lead", Recording())
    for seconds in (0.0, sheet.notes[0].on_seconds):
        with pytest.raises(MeasurementError, match=r"planned key|may begin"):
            slice_by_plan(heard, shuffled_session(keys, seed=2), pitch_of, seconds)


@pytest.mark.parametrize("keys", [tuple(range(40, 70, 3)), (41, 42, 43, 45)])
def test_another_session_of_the_same_timing_is_refused_for_its_keys(keys):
    _, heard = played(shuffled_session(keys, seed=1), "lead", Recording())
    with pytest.raises(MeasurementError, match=r"only \d+ of \d+ have the planned key"):
        slice_by_plan(heard, shuffled_session(keys, seed=2), pitch_of)


@pytest.mark.parametrize("keys", [(48, 55, 60), (36, 48, 61)])
def test_another_session_whose_few_keys_agree_by_chance_is_doubted(keys):
    _, heard = played(shuffled_session(keys, seed=1), "lead", Recording())
    assert slice_by_plan(heard, shuffled_session(keys, seed=1), pitch_of).remarks == ()
    for seed in (2, 5):
        (remark,) = slice_by_plan(heard, shuffled_session(keys, seed=seed), pitch_of).remarks
        assert "notes have the planned key; the session sheet may be that of another" in remark


@pytest.mark.parametrize("count", [4, 10])
def test_a_session_of_other_distances_between_its_keys_is_refused(count):
    settings = SessionSettings(velocities=(50, 80, 110), hold_seconds=0.8, release_seconds=0.5)
    planned, other = (
        plan_session(replace(settings, keys=tuple(range(40, 40 + every * count, every))))
        for every in (3, 4)
    )
    _, heard = played(planned, "lead", Recording())
    with pytest.raises(MeasurementError, match=r"only \d+ of \d+ have the planned key"):
        slice_by_plan(heard, other, pitch_of)


def half_scale_take(sheet, tuning_semitones):
    """Every second key of the planned distance, at the same times."""
    semitones = {note.key: note.key / 2 + 50 + tuning_semitones for note in sheet.notes}
    return kit_take(lambda key: 440 * 2 ** ((semitones[key] - 69) / 12), sheet)


@pytest.mark.parametrize("tuning_semitones", [0.2, -0.3])
def test_drums_half_a_semitone_apart_are_cut_by_their_timing(tuning_semitones):
    sheet = shuffled_session(range(36, 60, 4), seed=1)
    take = half_scale_take(sheet, tuning_semitones)
    cut = slice_by_plan(hear_take(take), sheet, pitch_of)
    assert indexes(cut) == list(range(len(sheet.notes)))
    assert "do not sound at their pitches" in cut.remarks[0]


def test_a_session_of_keys_half_as_far_apart_is_refused():
    sheet = shuffled_session(range(36, 60, 4), seed=1)
    with pytest.raises(MeasurementError, match=r"only \d+ of \d+ have the planned key"):
        slice_by_plan(hear_take(half_scale_take(sheet, 0.0)), sheet, pitch_of)


def test_pitches_that_agree_by_chance_do_not_move_a_whole_take_within_its_plan():
    sheet = sheet_of(range(36, 84, 4), uneven=False)
    played_keys = {note.key: note.key for note in sheet.notes}
    for key in (36, 40, 44):  # these sound as those that follow them are planned
        played_keys[key] = key + 4
    hertz = {key: 440.0 * 2 ** ((played_keys[key] - 69) / 12) for key in (36, 40, 44)}
    take = kit_take(lambda key: hertz.get(key, 60.0 + 1500.0 * ((key * 7) % 23) / 23), sheet)
    cut = slice_by_plan(hear_take(take), sheet, pitch_of)
    assert indexes(cut) == list(range(len(sheet.notes)))


@pytest.mark.parametrize("skipped", [5, 8, 10])
def test_which_velocity_of_a_key_was_skipped_by_hand_is_told_by_its_level(skipped):
    sheet = sheet_of(range(40, 76, 5), (40, 110), spacing=2.0)
    played_notes, now = [], 1.0
    draw = np.random.default_rng(skipped)
    for index, note in enumerate(sheet.notes):
        played_notes.append(replace(note, on_seconds=now, off_seconds=now + 0.8))
        now += 0.0 if index == skipped else 1.2 + draw.uniform(0.0, 1.4)
    how = Recording(missing=frozenset({skipped}), latency_seconds=2.0)
    _, heard = played(replace(sheet, notes=tuple(played_notes)), "lead", how)
    cut = slice_by_plan(heard, sheet, pitch_of)
    assert cut.missing == (skipped,)
    assert indexes(cut) == [i for i in range(len(sheet.notes)) if i != skipped]
    skipped_key = sheet.notes[skipped].key
    doubtful = {note.plan_index for note in cut.notes if note.doubtful}
    of_key = {i for i, note in enumerate(sheet.notes) if note.key == skipped_key} - {skipped}
    assert doubtful == of_key


def test_notes_beside_one_played_twice_by_hand_are_doubtful():
    sheet = sheet_of(range(40, 76, 5), (40, 110), spacing=2.0)
    played_notes, now = [], 1.0
    draw = np.random.default_rng(3)
    for index, note in enumerate(sheet.notes):
        for _ in range(2 if index == 9 else 1):
            played_notes.append(replace(note, on_seconds=now, off_seconds=now + 0.8))
            now += 1.2 + draw.uniform(0.0, 1.4)
    _, heard = played(replace(sheet, notes=tuple(played_notes)), "lead", Recording())
    cut = slice_by_plan(heard, sheet, pitch_of)
    key = sheet.notes[9].key
    sure = [note for note in cut.notes if not note.doubtful]
    assert len(cut.notes) == len(sheet.notes) + 1
    assert all(sheet.notes[note.plan_index].key != key for note in sure)
    assert len(sure) == len(sheet.notes) - 2


def test_a_short_take_with_accidents_is_one_of_its_plan():
    sheet = sheet_of((40, 45, 50, 55, 60, 65))
    extra = [Key(key=71, velocity=110, on_seconds=s, off_seconds=s + 0.4) for s in (2.0, 6.9)]
    _, heard = played(sheet, "lead", Recording(missing=frozenset({3}), extra=tuple(extra)))
    cut = slice_by_plan(heard, sheet, pitch_of)
    assert cut.missing == (3,)


def played_instead(note, key):
    """A wrong key, a third of a second late."""
    return Key(
        key=key,
        velocity=note.velocity,
        on_seconds=note.on_seconds + 0.35,
        off_seconds=note.off_seconds + 0.35,
    )


def test_accidents_at_the_keys_played_again_and_again_do_not_make_a_take_played_by_hand():
    sheet = sheet_of((61, 61, 61, 61, 47, 54, 61, 61, 68, 54, 68, 47), spacing=3.0)
    how = Recording(
        latency_seconds=0.5,
        missing=frozenset({7, 9}),
        doubled={2: 0.22},
        extra=(played_instead(sheet.notes[7], 64),),
        start_late_seconds=sheet.notes[0].on_seconds + 1.0,
    )
    _, heard = played(sheet, "bell", how)
    cut = slice_by_plan(heard, sheet, heard_pitch)
    assert (cut.missing, cut.outside) == ((7, 9), (0,))
    assert [i for i in indexes(cut) if i is not None] == [1, 2, 3, 4, 5, 6, 8, 10, 11]


@pytest.mark.parametrize(
    ("matched", "planned", "heard", "is_told"),
    [(12, 16, 37, False), (16, 16, 60, False), (12, 16, 37, True)],
)
def test_matches_that_any_plan_has_are_no_proof(matched, planned, heard, is_told):
    with pytest.raises(MeasurementError, match=f"{matched} of {planned} planned notes"):
        refuse_if_foreign(matched, planned, heard, 0.7, is_told=is_told)


@pytest.mark.parametrize(
    ("matched", "planned", "heard", "is_told"),
    [(16, 16, 37, False), (15, 16, 20, False), (12, 16, 30, True)],
)
def test_a_plan_all_of_whose_notes_are_there_fits_though_more_is_heard(
    matched, planned, heard, is_told
):
    refuse_if_foreign(matched, planned, heard, 0.7, is_told=is_told)


def test_pads_in_a_clean_take_are_not_cut_when_their_keys_go_down():
    sheet = sheet_of(range(48, 79, 5), (100,), spacing=4.6, hold=3.1)
    take, heard = played(sheet, "pad", Recording(noise_dbfs=None))
    errors = errors_ms(slice_by_plan(heard, sheet), take)
    assert np.percentile(np.abs(errors), 95) <= 10.0
    assert errors.max() <= 0.5
