"""What the recipe can ask for, checked in the written files."""

import struct

import numpy as np
import pytest
import soundfile

from keymapper import BuildSettings, Recipe, build_instrument
from keymapper.errors import InputError
from keymapper.formats.sfz import read_sfz
from keymapper.measuring.pitch import measure_pitch
from keymapper.model.recipe import (
    ChokeGroup,
    ControlSettings,
    LayerSettings,
    LevelSettings,
    NoteCorrection,
    OneShotSettings,
    TuningSettings,
    ZoneSettings,
)
from keymapper.proving.proof import ProofSettings, prove_instrument
from tests.simple_notes import RATE, note, write_note

ONE = BuildSettings(workers=1, prove=False, page=False)


def regions(out):
    reading = read_sfz(next(out.glob("*.sfz")))
    assert reading.problems == ()
    assert reading.unknown_opcodes == ()
    return reading.regions


def write_sharp(path, key, cents):
    path.parent.mkdir(parents=True, exist_ok=True)
    tone = note(440 * 2 ** ((key - 69 + cents / 100) / 12))
    soundfile.write(path, tone, RATE, subtype="PCM_24")


def test_tuning_is_corrected_in_whole_cents(tmp_path):
    write_sharp(tmp_path / "in" / "C4.wav", 60, 12.3)
    build_instrument(tmp_path / "in", tmp_path / "out", settings=ONE)
    assert regions(tmp_path / "out")[0].tune_cents == -12


def test_the_manifest_says_which_offset_was_taken_off(tmp_path):
    uneven = note(220.0, lead_seconds=0.1)
    uneven[RATE // 10 :] += 0.3 * np.abs(uneven[RATE // 10 :])
    (tmp_path / "in").mkdir()
    for name, sound in (("A3", uneven - 0.01), ("A4", note(440.0, lead_seconds=0.1) - 0.01)):
        soundfile.write(tmp_path / "in" / f"{name}.wav", sound, RATE, subtype="PCM_24")
    manifest = build_instrument(tmp_path / "in", tmp_path / "out", settings=ONE)
    done = [one.sample.processing for one in manifest.notes]
    assert [one.dc_removed[0] for one in done] == pytest.approx([-0.01, -0.01], abs=1e-5)
    assert [one.high_pass_hz for one in done] == [5.0, None]


@pytest.mark.parametrize("cents", [12.3, -23.7])
def test_baked_tuning_is_exact_and_leaves_nothing_to_tune(tmp_path, cents):
    write_sharp(tmp_path / "in" / "C4.wav", 60, cents)
    recipe = Recipe(tuning=TuningSettings(bake=True))
    manifest = build_instrument(tmp_path / "in", tmp_path / "out", recipe, ONE)
    zone = manifest.zones[0]
    samples, rate = soundfile.read(tmp_path / "out" / zone.sample, always_2d=True)
    assert measure_pitch(samples, rate).tuning_cents == pytest.approx(0.0, abs=0.03)
    assert regions(tmp_path / "out")[0].tune_cents == 0
    assert zone.loop is not None
    join = manifest.notes[0].sample.join
    assert join is not None
    assert join.worst_db < 0


def test_a_root_far_from_the_sound_is_reached_by_semitones(tmp_path):
    write_note(tmp_path / "in" / "C4.wav", 60)
    recipe = Recipe(note=(NoteCorrection(file="C4.wav", root="G4"),))
    build_instrument(tmp_path / "in", tmp_path / "out", recipe, ONE)
    region = regions(tmp_path / "out")[0]
    assert (region.pitch_keycenter, region.transpose_semitones, region.tune_cents) == (67, 7, 0)


def test_a_root_octaves_from_the_sound_corrects_its_octave_alone(tmp_path):
    write_note(tmp_path / "in" / "C4.wav", 60)
    recipe = Recipe(note=(NoteCorrection(file="C4.wav", root="C5"),))
    build_instrument(tmp_path / "in", tmp_path / "out", recipe, ONE)
    region = regions(tmp_path / "out")[0]
    assert (region.pitch_keycenter, region.transpose_semitones, region.tune_cents) == (72, 0, 0)


def test_a_scale_gives_each_key_its_own_tuning(tmp_path):
    write_note(tmp_path / "in" / "C4.wav", 60)
    targets = tuple(float(key % 12) for key in range(128))
    settings = BuildSettings(workers=1, targets_cents=targets)
    recipe = Recipe(zones=ZoneSettings(reach_below=2, reach_above=3))
    build_instrument(tmp_path / "in", tmp_path / "out", recipe, settings)
    tuned = {region.lokey: region.tune_cents for region in regions(tmp_path / "out")}
    assert tuned == {58: 10, 59: 11, 60: 0, 61: 1, 62: 2, 63: 3}


def test_notes_are_not_transposed_beyond_the_limit(tmp_path):
    for name, key in (("C3", 48), ("C4", 60)):
        write_note(tmp_path / "in" / f"{name}.wav", key)
    recipe = Recipe(zones=ZoneSettings(farthest=3))
    manifest = build_instrument(tmp_path / "in", tmp_path / "out", recipe, ONE)
    assert [(z.low_key, z.high_key) for z in manifest.zones] == [(45, 51), (57, 63)]
    silent = "no note reaches E3, F3, F#3, G3, G#3 within 3 semitones: they are silent"
    assert silent in manifest.layers[0].remarks


def layered(folder):
    for velocity, peak in ((40, 0.05), (80, 0.2), (120, 0.6)):
        write_note(folder / f"C4 v{velocity}.wav", 60, peak=peak)


def test_layers_fade_into_each_other(tmp_path):
    layered(tmp_path / "in")
    recipe = Recipe(zones=ZoneSettings(velocity_fade=10))
    build_instrument(tmp_path / "in", tmp_path / "out", recipe, ONE)
    low, middle, high = regions(tmp_path / "out")
    assert (low.lovel, low.hivel) == (1, 65)
    assert (middle.lovel, middle.hivel) == (56, 105)
    assert (high.lovel, high.hivel) == (96, 127)
    for lower, upper in ((low, middle), (middle, high)):
        below, above = lower.velocity_crossfade, upper.velocity_crossfade
        assert (below.out_low, below.out_high) == (above.in_low, above.in_high)
        assert upper.lovel > above.in_low
        assert lower.hivel < below.out_high


def test_layers_can_reach_up_to_the_recorded_velocity(tmp_path):
    layered(tmp_path / "in")
    recipe = Recipe(zones=ZoneSettings(velocity_split="recorded"))
    manifest = build_instrument(tmp_path / "in", tmp_path / "out", recipe, ONE)
    ranges = [(z.low_velocity, z.high_velocity) for z in manifest.zones]
    assert ranges == [(1, 40), (41, 80), (81, 127)]


def test_layers_named_by_their_ranges_play_those(tmp_path):
    for velocities, peak in (("1-20", 0.05), ("21-90", 0.2), ("91-127", 0.6)):
        write_note(tmp_path / "in" / f"C4 v{velocities}.wav", 60, peak=peak)
    manifest = build_instrument(tmp_path / "in", tmp_path / "out", settings=ONE)
    ranges = [(z.low_velocity, z.high_velocity) for z in manifest.zones]
    assert ranges == [(1, 20), (21, 90), (91, 127)]


def test_recorded_dynamics_on_request(tmp_path):
    layered(tmp_path / "in")
    recipe = Recipe(levels=LevelSettings(velocities="recorded"))
    build_instrument(tmp_path / "in", tmp_path / "out", recipe, ONE)
    assert {r.amp_veltrack_percent for r in regions(tmp_path / "out")} == {0.0}


def hits(folder):
    folder.mkdir()
    rng = np.random.default_rng(1)
    fall = np.exp(-np.arange(RATE // 2) / 4000)[:, None]
    for name in ("Hatch open", "Hatch shut", "Barrel"):
        hit = rng.normal(0, 0.2, (RATE // 2, 1)) * fall
        soundfile.write(folder / f"{name}.wav", hit, RATE, subtype="PCM_24")


def test_one_shots_choke_by_their_first_word_and_come_reversed(tmp_path):
    hits(tmp_path / "in")
    shots = OneShotSettings(base_key=40, choke="prefix", reversed_copies=True)
    manifest = build_instrument(tmp_path / "in", tmp_path / "out", Recipe(one_shots=shots), ONE)
    found = regions(tmp_path / "out")
    assert [region.lokey for region in found] == [40, 41, 42, 43, 44, 45]
    assert [(r.group, r.off_by) for r in found] == [(0, 0), (1, 1), (1, 1)] * 2
    assert {region.loop_mode for region in found} == {"one_shot"}
    for forward, backward in zip(manifest.zones[:3], manifest.zones[3:], strict=True):
        there, _ = soundfile.read(tmp_path / "out" / forward.sample, always_2d=True)
        back, _ = soundfile.read(tmp_path / "out" / backward.sample, always_2d=True)
        assert np.array_equal(there, back[::-1])


def test_effects_without_a_key_are_one_shots_though_one_has_a_pitch(tmp_path):
    (tmp_path / "in").mkdir()
    rng = np.random.default_rng(5)
    for name in ("Gust", "Surf", "Steam"):
        hiss = rng.normal(0, 0.1, (2 * RATE, 1))
        soundfile.write(tmp_path / "in" / f"{name}.wav", hiss, RATE, subtype="PCM_24")
    write_sharp(tmp_path / "in" / "Whistle.wav", 72, 0.0)
    manifest = build_instrument(tmp_path / "in", tmp_path / "out", settings=ONE)
    assert {zone.play_mode for zone in manifest.zones} == {"one_shot"}
    assert len(manifest.zones) == 4
    assert any("most sounds have no pitch" in one for one in manifest.layers[0].remarks)


def test_stated_choke_groups(tmp_path):
    hits(tmp_path / "in")
    group = ChokeGroup(name="metal", files=("Barrel.wav", "Hatch open.wav"))
    build_instrument(tmp_path / "in", tmp_path / "out", Recipe(choke=(group,)), ONE)
    assert [region.off_by for region in regions(tmp_path / "out")] == [1, 1, 0]


def test_notes_on_keys_choke_each_other_where_stated(tmp_path):
    for name, key in (("C4", 60), ("D4", 62), ("E4", 64)):
        write_sharp(tmp_path / "in" / f"{name}.wav", key, 0.0)
    group = ChokeGroup(name="lead", files=("C4.wav", "E4.wav"))
    build_instrument(tmp_path / "in", tmp_path / "out", Recipe(choke=(group,)), ONE)
    found = {region.pitch_keycenter: region for region in regions(tmp_path / "out")}
    assert [found[key].off_by for key in (60, 62, 64)] == [1, 0, 1]


def test_a_choke_group_with_a_file_that_is_not_there_is_refused(tmp_path):
    hits(tmp_path / "in")
    group = ChokeGroup(name="metal", files=("Barrel.wav", "Hatch opne.wav"))
    with pytest.raises(InputError, match=r"chokes 'Hatch opne\.wav', which is not there"):
        build_instrument(tmp_path / "in", tmp_path / "out", Recipe(choke=(group,)), ONE)


def test_a_loop_stated_for_a_one_shot_is_told_to_be_left_out(tmp_path):
    hits(tmp_path / "in")
    recipe = Recipe(
        one_shots=OneShotSettings(reversed_copies=True),
        note=(
            NoteCorrection(file="Barrel.wav", loop=(1000, 5000)),
            NoteCorrection(file="Hatch open.wav", loop=False),
        ),
    )
    manifest = build_instrument(tmp_path / "in", tmp_path / "out", recipe, ONE)
    assert [(doubt.file, doubt.about) for doubt in manifest.doubts] == [("Barrel.wav", "loop")]
    assert manifest.doubts[0].message.endswith('from the recipe, or give layout = "keys"')


def test_a_loop_stated_for_a_release_note_is_told_to_be_left_out(tmp_path):
    for name in ("C4", "C4 release"):
        write_note(tmp_path / "in" / f"{name}.wav", 60)
    recipe = Recipe(note=(NoteCorrection(file="C4 release.wav", loop=(30_000, 40_000)),))
    manifest = build_instrument(tmp_path / "in", tmp_path / "out", recipe, ONE)
    assert [(doubt.file, doubt.about) for doubt in manifest.doubts] == [("C4 release.wav", "loop")]
    assert manifest.doubts[0].message.endswith("from the recipe, or give release = false")


@pytest.mark.parametrize(("settings", "cents"), [({"tune": "semitone"}, 30), ({"key": "C"}, -170)])
def test_one_shots_with_a_pitch_are_tuned_when_asked(tmp_path, settings, cents):
    write_sharp(tmp_path / "in" / "thud.wav", 58, 30.0)
    recipe = Recipe(layout="one-shots", one_shots=OneShotSettings(**settings))
    build_instrument(tmp_path / "in", tmp_path / "out", recipe, ONE)
    region = regions(tmp_path / "out")[0]
    assert 100 * region.transpose_semitones + region.tune_cents == -cents


def test_controls_start_as_recorded_and_can_be_switched_off(tmp_path):
    write_note(tmp_path / "in" / "C4.wav", 60)
    build_instrument(tmp_path / "in", tmp_path / "out", settings=ONE)
    reading = read_sfz(tmp_path / "out" / "in.sfz")
    assert dict(reading.control.labels).items() >= {73: "Attack", 72: "Release"}.items()
    assert {number for number, _ in reading.control.controllers} == set(
        dict(reading.control.labels)
    )
    off = Recipe(controls=ControlSettings(brightness=False, attack=False, release=False))
    build_instrument(tmp_path / "in", tmp_path / "off", off, ONE)
    assert read_sfz(tmp_path / "off" / "in.sfz").control.labels == ()


@pytest.mark.parametrize(
    ("ranges", "told"),
    [
        ([(0, 59), (60, 127)], "one of 2 layers, one of which sounds at a time"),
        ([(0, 60), (60, 127)], "one of 2 layers that sound together: 2 voices a key"),
        ([(0, 59), (60, 127), (40, 70)], "3 layers that sound together: at most 2 voices a key"),
    ],
)
def test_layers_tell_how_many_of_them_sound_at_once(tmp_path, ranges, told):
    for place in range(len(ranges)):
        write_note(tmp_path / "in" / str(place) / "C4.wav", 60)
    layers = tuple(LayerSettings(folder=str(i), keys=keys) for i, keys in enumerate(ranges))
    manifest = build_instrument(tmp_path / "in", tmp_path / "out", Recipe(layer=layers), ONE)
    assert all(told in one.remarks[-1] for one in manifest.layers)


def test_two_instruments_that_take_turns_are_doubted(tmp_path):
    time = np.arange(2 * RATE)[:, np.newaxis] / RATE
    dark = 0.3 * np.sin(2 * np.pi * 130.8 * time)
    bright = sum(np.sin(2 * np.pi * 130.8 * k * time + k * k) for k in range(1, 40))
    bright *= 0.3 / np.sqrt(39)
    for folder in ("alder", "birch"):
        (tmp_path / "in" / folder).mkdir(parents=True)
    for name, sound in (("alder/C3", dark), ("birch/C3", bright), ("birch/C4", bright[::2])):
        soundfile.write(tmp_path / "in" / f"{name}.wav", sound, RATE, subtype="PCM_24")
    manifest = build_instrument(tmp_path / "in", tmp_path / "out", settings=ONE)
    (doubt,) = [doubt for doubt in manifest.doubts if doubt.about == "set"]
    assert "takes turns with" in doubt.message
    assert {doubt.file, doubt.message.split(" but ")[0][17:]} == {"alder/C3.wav", "birch/C3.wav"}


def test_layers_sound_together_and_equally_loud(tmp_path):
    for folder, peak in (("bright", 0.5), ("dark", 0.05)):
        for name, key in (("C3", 48), ("C4", 60)):
            write_note(tmp_path / "in" / folder / f"{name}.wav", key, peak=peak)
    layers = (
        LayerSettings(folder="bright", pan=-30.0, keys=(40, 90)),
        LayerSettings(folder="dark", gain_db=-6.0, tune_cents=7.0, velocities=(50, 127)),
    )
    manifest = build_instrument(tmp_path / "in", tmp_path / "out", Recipe(layer=layers), ONE)
    first, second = regions(tmp_path / "out")[:2], regions(tmp_path / "out")[2:]
    assert [(r.lokey, r.hikey, r.pan_percent) for r in first] == [(40, 54, -30), (55, 72, -30)]
    assert [(r.lovel, r.hivel, r.tune_cents) for r in second] == [(50, 127, 7), (50, 127, 7)]
    levels = [note.sample.peak_dbfs for note in manifest.notes]
    assert levels[0] - levels[2] == pytest.approx(6.0, abs=0.3)
    assert "one of 2 layers that sound together: 2 voices a key" in manifest.layers[0].remarks
    assert dict(read_sfz(tmp_path / "out" / "in.sfz").control.labels)[16] == "Layer balance"
    assert [f.folder for f in manifest.layers] == ["bright", "dark"]


def test_a_layer_on_some_keys_is_meant_to_sound_there(tmp_path):
    """And a zone that sounds twice within the layers is still told."""
    for folder in ("bright", "dark"):
        for name, key in (("C3", 48), ("C4", 60)):
            write_note(tmp_path / "in" / folder / f"{name}.wav", key)
    layers = (LayerSettings(folder="bright"), LayerSettings(folder="dark", keys=(47, 48)))
    build_instrument(tmp_path / "in", tmp_path / "out", Recipe(layer=layers), ONE)

    def doubled():
        proof = prove_instrument(tmp_path / "out", ProofSettings(short=True, hold_seconds=0.5))
        return [found for found in proof.findings if found.rule == "proof-doubled"]

    assert doubled() == []
    (file,) = (tmp_path / "out").glob("*.sfz")
    file.write_text(file.read_text() + file.read_text().replace("<control>", "<region>"))
    assert doubled()


def test_a_layer_may_not_leave_the_folder(tmp_path):
    write_note(tmp_path / "in" / "C4.wav", 60)
    write_note(tmp_path / "other" / "C4.wav", 60)
    recipe = Recipe(layer=(LayerSettings(folder="../other"),))
    with pytest.raises(InputError, match="lies outside"):
        build_instrument(tmp_path / "in", tmp_path / "out", recipe, ONE)


def test_repeats_that_are_the_same_sound_are_folded_to_one(tmp_path):
    folder = tmp_path / "in"
    for turn, phase in ((1, 0.0), (2, 0.0), (3, 2.0)):
        write_note(folder / f"C4 rr{turn}.wav", 60, decay_seconds=0.4, phase=phase)
    manifest = build_instrument(folder, tmp_path / "out", settings=ONE)
    assert [(z.round_robin, z.round_robins) for z in manifest.zones] == [(1, 2), (2, 2)]
    reasons = {skipped.file: skipped.reason for skipped in manifest.skipped}
    assert reasons == {"C4 rr2.wav": "the same sound as C4 rr1.wav"}


def test_what_an_aiff_says_of_itself_is_kept_as_a_hint(tmp_path):
    path = tmp_path / "in" / "Skiff 60.aiff"
    path.parent.mkdir()
    soundfile.write(path, note(261.6256), RATE, subtype="PCM_24", format="AIFF")
    said = struct.pack(">BbBBBBh3h3h", 59, 7, 50, 64, 1, 127, 0, 0, 0, 0, 0, 0, 0)
    body = path.read_bytes()[8:] + b"INST" + struct.pack(">I", len(said)) + said
    path.write_bytes(b"FORM" + struct.pack(">I", len(body)) + body)
    manifest = build_instrument(tmp_path / "in", tmp_path / "out", settings=ONE)
    embedded = manifest.notes[0].embedded
    assert (embedded.root_key, embedded.tuning_cents) == (59, -7.0)
    assert manifest.zones[0].root_key == 60
