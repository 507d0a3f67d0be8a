"""A good instrument passes; every planted fault is found under its rule, and nothing else."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import soundfile

from keymapper import BuildSettings, Recipe, build_instrument
from keymapper.errors import InputError, OutputError
from keymapper.formats.schemas import schema_text
from keymapper.model.proof import Proof, ProofLimits
from keymapper.model.recipe import LayerSettings, OneShotSettings, ZoneSettings
from keymapper.proving.hearing import TuningTarget
from keymapper.proving.judging import Heard, findings_of
from keymapper.proving.proof import ProofSettings, prove_instrument
from keymapper.proving.proof_file import proof_data, write_proof
from tests.proving.instruments import Zone, write_instrument
from tests.simple_notes import RATE, noise_hit, write_note

BUILT = BuildSettings(workers=1, prove=False, page=False)
SHORT_HOLD = ProofSettings(hold_seconds=1.2, tail_seconds=0.3)


def prove(folder: Path, *zones: Zone, settings: ProofSettings = SHORT_HOLD) -> Proof:
    return prove_instrument(write_instrument(folder, list(zones)), settings)


def rules(proof: Proof) -> set[str]:
    return {finding.rule for finding in proof.findings}


LOW = Zone(low=58, high=60, root=60, sharp_cents=7)
HIGH = Zone(low=61, high=63, root=62, sharp_cents=-4)


def test_a_good_instrument_has_no_findings(tmp_path: Path) -> None:
    proof = prove(tmp_path, LOW, HIGH)
    assert proof.findings == ()
    assert {note.key for note in proof.notes} == set(range(58, 64))
    assert all(abs(note.tuning_cents or 99) < 0.1 for note in proof.notes)
    assert all(abs(step.step_db) < 0.5 for step in proof.level_steps)
    assert len(proof.joins) == 2
    assert "within the limits" in proof.verdict


def test_a_beat_slower_than_the_hold_is_no_step_of_level(tmp_path: Path) -> None:
    """Two loops of the same mean level, one of which is at its loudest while the key is held."""
    file = write_instrument(tmp_path, [LOW, HIGH])
    for number, phase in ((0, 0.0), (1, np.pi)):
        path = tmp_path / f"samples/zone_{number:02}.wav"
        samples, rate = soundfile.read(path)
        beat = 0.5 + 0.4 * np.cos(2 * np.pi * np.arange(len(samples)) / 96_000 + phase)
        looped = np.concatenate([samples[:24_000], np.tile(samples[24_000:48_000], 4)])
        soundfile.write(path, looped * np.resize(beat, len(looped)), rate, subtype="FLOAT")
    text = file.read_text("utf-8").splitlines()
    ends = [f"loop_end={24_000 + 95_999}" if line.startswith("loop_end") else line for line in text]
    file.write_text("\n".join(ends) + "\n", "utf-8")
    proof = prove_instrument(file, SHORT_HOLD)
    assert abs(next(s.step_db for s in proof.level_steps if s.key == 60)) < 0.3


@pytest.mark.parametrize("hold_seconds", [0.8, 1.2, 2.5])
def test_a_slow_beat_between_two_layers_is_no_step_of_level(
    tmp_path: Path, hold_seconds: float
) -> None:
    """Two voices five cents apart start in phase on one key and out of phase on the next."""
    zones = [
        Zone(low=key, high=key, root=key, start_phase=phase, opcodes={"tune": tune})
        for key, second_phase in ((60, 0.5), (61, 0.0))
        for phase, tune in ((0.0, "0"), (second_phase, "5"))
    ]
    settings = ProofSettings(hold_seconds=hold_seconds, tail_seconds=0.3)
    steps = prove(tmp_path, *zones, settings=settings).level_steps
    assert all(abs(step.step_db) < 0.5 for step in steps)


def test_a_slow_rise_is_not_late_but_silence_is(tmp_path: Path) -> None:
    slow = replace(HIGH, fade_in_seconds=1.0)
    late = replace(HIGH, silence_seconds=0.02)
    assert "proof-onset" not in rules(prove(tmp_path / "slow", LOW, slow))
    assert "proof-onset" in rules(prove(tmp_path / "late", LOW, late))


def test_an_instrument_all_of_which_is_late_is_told(tmp_path: Path) -> None:
    late = [replace(zone, silence_seconds=0.03) for zone in (LOW, HIGH)]
    slow = [replace(zone, fade_in_seconds=1.5) for zone in (LOW, HIGH)]
    assert "proof-latency" in rules(prove(tmp_path / "late", *late))
    assert "proof-latency" not in rules(prove(tmp_path / "slow", *slow))


def test_limits_come_from_the_recipe_and_can_be_moved(tmp_path: Path) -> None:
    write_note(tmp_path / "in" / "C4.wav", 60)
    recipe = Recipe(proof=ProofLimits(tuning_cents=0.5, click_db=9.0))
    build_instrument(tmp_path / "in", tmp_path / "out", recipe, BuildSettings(workers=1))
    settings = ProofSettings(short=True, moved_limits={"click_db": 7.0})
    proof = prove_instrument(tmp_path / "out", settings)
    assert (proof.limits.tuning_cents, proof.limits.click_db) == (0.5, 7.0)


def test_the_manifest_of_another_program_is_passed_over(tmp_path: Path) -> None:
    (tmp_path / "manifest.json").write_text('{"name": "theirs"}', "utf-8")
    assert prove(tmp_path, LOW).findings == ()


def test_a_proof_fits_its_schema(tmp_path: Path) -> None:
    data = proof_data(prove(tmp_path, LOW, HIGH))
    jsonschema.Draft202012Validator(json.loads(schema_text("proof"))).validate(data)


def test_a_wrong_sign_of_tune_is_found(tmp_path: Path) -> None:
    proof = prove(
        tmp_path, LOW, Zone(low=61, high=61, root=61, sharp_cents=4, opcodes={"tune": "4"})
    )
    assert rules(proof) == {"proof-tuning"}
    assert {finding.zone.split()[0] for finding in proof.findings} == {"C#4"}
    assert proof.findings[0].measured == pytest.approx(8, abs=0.1)


def test_a_loop_end_that_is_off_by_one_is_found_by_its_pitch(tmp_path: Path) -> None:
    """One period of 103 frames, played as 104: 17 cents flat."""
    sample = Zone(low=70, high=70, root=70)
    file = write_instrument(tmp_path, [sample])
    text = file.read_text("utf-8")
    start = 24_000
    period = round(48_000 / 466.1638)
    for length, found in ((period - 1, False), (period, True)):
        lines = [
            f"loop_end={start + length}" if line.startswith("loop_end") else line
            for line in text.splitlines()
        ]
        file.write_text("\n".join(lines), "utf-8")
        proof = prove_instrument(file, ProofSettings(hold_seconds=4.0))
        flat = [f for f in proof.findings if f.rule == "proof-tuning" and (f.measured or 0) < -5]
        assert bool(flat) == found


def test_a_wrong_root_key_and_a_wrong_octave_are_errors(tmp_path: Path) -> None:
    wrong = Zone(low=61, high=61, root=61, opcodes={"pitch_keycenter": "63"})
    assert "proof-wrong-key" in rules(prove(tmp_path, LOW, wrong))
    octave = Zone(low=61, high=61, root=61, opcodes={"pitch_keycenter": "49"})
    proof = prove(tmp_path, LOW, octave)
    assert rules(proof) == {"proof-octave"}
    assert proof.findings[0].severity == "error"


def test_a_key_heard_an_octave_off_is_no_fault_where_its_recording_sounds_right(
    tmp_path: Path,
) -> None:
    """A fundamental too weak to be heard of transposed down: the same zone sounds right higher."""
    hollow = Zone(low=24, high=36, root=36, odd_share=0.06, harmonics=40)
    proof = prove(tmp_path, hollow)
    assert {note.octaves for note in proof.notes} == {0, 1}
    assert rules(proof) == set()


@pytest.mark.parametrize("judged", [1, 2])
def test_a_pitch_heard_at_few_keys_of_a_recording_says_nothing_of_it(
    tmp_path: Path, judged: int
) -> None:
    """Two kinds of error where two of three keys are judged, none where it is one."""
    right, wrong = replace(LOW, low=40, high=57), replace(LOW, low=58, high=60)
    notes = prove(tmp_path, right, wrong).notes
    heard = [
        note
        if note.key < 58
        else replace(note, octaves=2, tuning_cents=-230.0)
        if note.key < 58 + judged
        else replace(note, octaves=0, tuning_cents=None)
        for note in notes
    ]
    found = {one.rule for one in findings_of(Heard(notes=tuple(heard)), ProofLimits())}
    errors = {"proof-octave", "proof-wrong-key"}
    assert found & errors == (errors if judged == 2 else set())


def _moving(proof: Proof, cents: dict[int, float], moving: dict[int, float]) -> set[str]:
    """The rules found where keys of one recording were heard so, and as rough as grains are."""
    heard = [
        replace(
            note,
            tuning_cents=cents.get(note.key),
            tuning_error_cents=4.0,
            movement_cents=moving.get(note.key, 0.0),
        )
        for note in proof.notes
    ]
    return {one.rule for one in findings_of(Heard(notes=tuple(heard)), ProofLimits())}


def test_a_cloud_of_grains_has_no_pitch_that_a_single_key_tells(tmp_path: Path) -> None:
    proof = prove(tmp_path, Zone(low=58, high=62, root=60))
    keys, moving = range(58, 63), {58: 20.0, 60: 22.0}
    wandering = dict(zip(keys, (-3.0, 28.0, 1.0, -7.0, 9.0), strict=True))
    assert _moving(proof, wandering, moving) == set()
    assert _moving(proof, {key: cents + 40.0 for key, cents in wandering.items()}, moving)
    assert _moving(proof, wandering, {}) == {"proof-tuning"}  # as of a note that does not move
    assert _moving(proof, {59: 28.0, 60: 1.0}, {}) == set()  # nothing was heard at most keys
    assert _moving(proof, {59: 28.0, 60: 1.0, 61: 28.0}, {}) == {"proof-tuning"}


@pytest.mark.parametrize(
    ("keytrack", "words"), [("98", "warning"), ("50", "the tuning of none could be judged")]
)
def test_a_keytrack_off_by_a_slip_is_judged(tmp_path: Path, keytrack: str, words: str) -> None:
    opcodes = {"pitch_keytrack": keytrack}
    proof = prove(tmp_path, Zone(low=60, high=66, root=60, opcodes=opcodes))
    assert ("proof-tuning" in rules(proof)) == (keytrack == "98")
    assert words in proof.verdict


def test_a_step_of_level_between_neighbours_is_found(tmp_path: Path) -> None:
    proof = prove(tmp_path, LOW, Zone(low=61, high=61, root=61, level_db=-9))
    assert rules(proof) == {"proof-level-step"}
    assert proof.findings[0].zone.startswith("C4")
    assert proof.findings[0].measured == pytest.approx(3, abs=0.3)


def layers(upper_db: float) -> list[Zone]:
    return [
        Zone(low=60, high=60, root=60, level_db=-12, opcodes={"hivel": "80"}),
        Zone(low=60, high=60, root=60, level_db=upper_db, opcodes={"lovel": "81"}),
    ]


def test_a_jump_at_a_hand_over_is_found_and_the_ordinary_rise_is_not(tmp_path: Path) -> None:
    assert rules(prove(tmp_path, *layers(-12))) == set()
    proof = prove(tmp_path, *layers(-9))
    assert rules(proof) == {"proof-hand-over"}
    assert proof.hand_overs[0].jump_db == pytest.approx(3, abs=0.05)


def test_crossfading_layers_are_one_zone_and_hand_over_smoothly(tmp_path: Path) -> None:
    curve = {"xf_velcurve": "gain"}
    lower = {"hivel": "80", "xfout_lovel": "60", "xfout_hivel": "80"} | curve
    upper = {"lovel": "60", "xfin_lovel": "60", "xfin_hivel": "80"} | curve
    fading = [
        Zone(low=60, high=60, root=60, opcodes=lower),
        Zone(low=60, high=60, root=60, opcodes=upper),
    ]
    proof = prove(tmp_path, *fading)
    assert proof.findings == ()
    assert [border.velocity for border in proof.hand_overs] == [59, 80]


def test_a_late_zone_is_found(tmp_path: Path) -> None:
    proof = prove(tmp_path, LOW, Zone(low=61, high=61, root=61, silence_seconds=0.01))
    assert rules(proof) == {"proof-onset"}
    assert proof.findings[0].measured == pytest.approx(10, abs=1)


def test_a_click_at_the_start_is_found(tmp_path: Path) -> None:
    cut = Zone(low=61, high=61, root=61, harmonics=1, start_phase=0.25, fade_in_seconds=0)
    assert rules(prove(tmp_path, cut)) == {"proof-start-click"}
    smooth = Zone(low=61, high=61, root=61, harmonics=1, start_phase=0.25, fade_in_seconds=0.005)
    assert rules(prove(tmp_path, smooth)) == set()


def test_a_release_that_is_too_short_is_found(tmp_path: Path) -> None:
    cut = Zone(low=61, high=61, root=61, opcodes={"ampeg_release": "0", "cutoff": "300"})
    soft = Zone(low=60, high=60, root=60, opcodes={"cutoff": "300"})
    assert "proof-release-click" in rules(prove(tmp_path, soft, cut))
    assert "proof-release-click" not in rules(prove(tmp_path / "soft", soft))


def test_the_onset_of_a_release_sample_is_no_click(tmp_path):
    held = Zone(low=60, high=60, root=60, harmonics=1)
    noise = Zone(
        low=60,
        high=60,
        root=60,
        fade_in_seconds=0.0005,
        opcodes={
            "trigger": "release",
            "loop_mode": "one_shot",
            "ampeg_decay": "0.02",
            "ampeg_sustain": "0",
        },
    )
    assert "proof-release-click" not in rules(prove(tmp_path, held, noise))


def test_chokes_are_played(tmp_path: Path) -> None:
    def kit(off_mode: dict[str, str]) -> list[Zone]:
        common = {"group": "1", "off_by": "1", "loop_mode": "one_shot", "cutoff": "200"} | off_mode
        return [
            Zone(low=40, high=40, root=60, opcodes=common),
            Zone(low=41, high=41, root=60, level_db=-60, opcodes=common),
        ]

    harsh = prove(tmp_path, *kit({"off_mode": "time", "off_time": "0"}))
    assert "proof-choke-click" in rules(harsh)
    gentle = prove(tmp_path, *kit({"off_mode": "normal", "ampeg_release": "0.1"}))
    assert "proof-choke-click" not in rules(gentle)
    assert len(gentle.chokes) == 2


def test_a_mute_zone_only_chokes(tmp_path: Path) -> None:
    sounding = Zone(low=40, high=40, root=60, opcodes={"off_by": "2", "loop_mode": "one_shot"})
    mute = Zone(low=42, high=42, root=60, opcodes={"group": "2", "end": "-1"})
    proof = prove(tmp_path, sounding, mute, Zone(low=43, high=43, root=60))
    assert {"proof-silence"} & rules(proof) == set()
    assert [one.zone for one in proof.findings if one.rule == "proof-gap"] == ["F2 to F2"]
    assert len(proof.chokes) == 1


def test_the_attack_of_what_chokes_is_no_click_of_the_cut(tmp_path: Path) -> None:
    common = {"group": "1", "off_by": "1", "loop_mode": "one_shot", "ampeg_release": "0.03"}
    dull = Zone(low=40, high=40, root=60, level_db=-30, harmonics=1, opcodes=common)
    bright = Zone(low=41, high=41, root=80, harmonics=60, fade_in_seconds=0.0005, opcodes=common)

    def clicks(off_mode: dict[str, str]) -> dict[int, float]:
        zones = [replace(zone, opcodes=zone.opcodes | off_mode) for zone in (dull, bright)]
        proof = prove(tmp_path / off_mode["off_mode"], *zones)
        return {choke.key: choke.click_db for choke in proof.chokes}

    assert clicks({"off_mode": "normal"})[40] < 0.0
    assert clicks({"off_mode": "time", "off_time": "0"})[40] > 6.0


def test_a_sample_that_breaks_off_is_found_and_one_that_dies_away_is_not(tmp_path: Path) -> None:
    unlooped = {"loop_mode": "no_loop", "loop_start": "0", "loop_end": "0"}
    opcodes = unlooped | {"end": "30000"}
    cut = Zone(low=60, high=60, root=60, harmonics=3, start_phase=0.2, opcodes=opcodes)
    proof = prove(tmp_path / "cut", cut)
    assert rules(proof) == {"proof-end-click"}
    assert proof.ends[0].end_frame == 30_001
    died = {"ampeg_decay": "0.5", "ampeg_sustain": "0"}
    assert rules(prove(tmp_path / "died", replace(cut, opcodes=cut.opcodes | died))) == set()
    file = write_instrument(tmp_path / "faded", [replace(cut, opcodes=unlooped)])
    sample = tmp_path / "faded" / "samples" / "zone_00.wav"
    samples, rate = soundfile.read(sample)
    samples[-4800:] *= np.linspace(1, 0, 4800)
    soundfile.write(sample, samples, rate, subtype="FLOAT")
    assert rules(prove_instrument(file, SHORT_HOLD)) == set()


def test_silence_doubling_and_gaps_are_found(tmp_path: Path) -> None:
    assert "proof-silence" in rules(
        prove(tmp_path, LOW, Zone(low=61, high=61, root=61, level_db=-110))
    )
    half = Zone(low=61, high=61, root=61, opcodes={"lovel": "90"})
    proof = prove(tmp_path, LOW, half)
    assert {f.zone for f in proof.findings if f.rule == "proof-silence"} == {"C#4 v32", "C#4 v64"}
    overlap = Zone(low=60, high=63, root=62, level_db=-30)
    assert "proof-doubled" in rules(prove(tmp_path, LOW, overlap))
    proof = prove(tmp_path, LOW, Zone(low=63, high=64, root=63))
    assert rules(proof) == {"proof-gap"}
    assert proof.findings[0].zone == "C#4 to D4"


def test_a_join_that_is_heard_is_found(tmp_path: Path) -> None:
    proof = prove(tmp_path, Zone(low=60, high=60, root=60, loop_end_change=-90))
    assert "proof-join" in rules(proof)


def test_every_round_robin_and_layer_is_played(tmp_path: Path) -> None:
    robins = [
        Zone(low=60, high=60, root=60, opcodes={"seq_length": "2", "seq_position": str(n)})
        for n in (1, 2)
    ]
    proof = prove(tmp_path, *robins)
    assert {note.samples for note in proof.notes} == {
        ("samples/zone_00.wav",),
        ("samples/zone_01.wav",),
    }
    assert {(note.velocity, note.turn) for note in proof.notes} == {
        (velocity, turn) for velocity in (32, 64, 100, 127) for turn in (0, 1)
    }


def test_the_short_form_plays_each_zone_at_its_lowest_root_and_highest_key(tmp_path: Path) -> None:
    wide = Zone(low=55, high=65, root=60)
    proof = prove(tmp_path, wide, settings=ProofSettings(short=True, hold_seconds=1.0))
    assert [note.key for note in proof.notes] == [55, 60, 65]
    assert proof.joins == ()


def test_missing_and_unreadable_samples_are_findings(tmp_path: Path) -> None:
    file = write_instrument(tmp_path, [LOW, HIGH, Zone(low=64, high=64, root=64)])
    (tmp_path / "samples" / "zone_01.wav").unlink()
    (tmp_path / "samples" / "zone_02.wav").write_bytes(b"not audio")
    proof = prove_instrument(file, SHORT_HOLD)
    assert [f.file for f in proof.findings if f.rule == "proof-sample"] == [
        "samples/zone_01.wav",
        "samples/zone_02.wav",
    ]
    (tmp_path / "samples" / "zone_00.wav").unlink()
    with pytest.raises(InputError, match="none of its samples"):
        prove_instrument(file, SHORT_HOLD)


@pytest.mark.parametrize(
    ("text", "reason"),
    [("<region> sample=*saw", "made by the player"), ("Dear reader,", "is it an SFZ file")],
)
def test_an_instrument_without_samples_is_told_as_such(
    tmp_path: Path, text: str, reason: str
) -> None:
    (tmp_path / "one.sfz").write_text(text, "utf-8")
    with pytest.raises(InputError, match=reason):
        prove_instrument(tmp_path, SHORT_HOLD)


def test_limits_can_be_moved(tmp_path: Path) -> None:
    sharp = Zone(low=61, high=61, root=61, opcodes={"tune": "4"})
    settings = ProofSettings(hold_seconds=1.2, limits=ProofLimits(tuning_cents=5))
    assert rules(prove(tmp_path, sharp, settings=settings)) == set()
    with pytest.raises(ValueError, match="tuning_cents"):
        ProofLimits(tuning_cents=-1)


def test_a_folder_is_proved_by_its_one_sfz_file(tmp_path: Path) -> None:
    file = write_instrument(tmp_path, [LOW])
    assert prove_instrument(tmp_path, SHORT_HOLD).instrument == file.name
    (tmp_path / "other.sfz").write_text("", "utf-8")
    with pytest.raises(InputError, match="more than one"):
        prove_instrument(tmp_path, SHORT_HOLD)


def test_the_target_may_be_another_reference_and_a_scale(tmp_path: Path) -> None:
    zone = Zone(low=60, high=61, root=60)
    for target, cents in (
        (TuningTarget(reference_hz=442.0), (-7.85, -7.85)),
        (TuningTarget(cents={61: 12.0}), (0.0, -12.0)),
        (TuningTarget(cents={60: -5.0, 61: -12.0}, spread_cents={60: 8.0, 61: 8.0}), (0.0, 4.0)),
    ):
        proof = prove(tmp_path, zone, settings=ProofSettings(hold_seconds=1.2, target=target))
        measured = {note.key: note.tuning_cents for note in proof.notes}
        assert (measured[60], measured[61]) == pytest.approx(cents, abs=0.1)


def test_layers_that_the_recipe_tunes_apart_are_where_they_are_meant_to_be(tmp_path: Path) -> None:
    for folder in ("one", "other"):
        write_note(tmp_path / "in" / folder / "C4.wav", 60)
    layers = (LayerSettings(folder="one", tune_cents=8.0), LayerSettings(folder="other"))
    recipe = Recipe(layer=layers, zones=ZoneSettings(reach_below=0, reach_above=1))
    build_instrument(tmp_path / "in", tmp_path / "out", recipe, BUILT)
    proof = prove_instrument(tmp_path / "out", SHORT_HOLD)
    assert "proof-tuning" not in rules(proof)
    one = replace(recipe, layer=layers[:1])
    build_instrument(tmp_path / "in", tmp_path / "sharp", one, BUILT)
    (tmp_path / "sharp" / "manifest.json").unlink()
    assert "proof-tuning" in rules(prove_instrument(tmp_path / "sharp", SHORT_HOLD))


def test_a_join_has_the_figure_that_the_build_gave_it(tmp_path: Path) -> None:
    """As long as the sample is what the build wrote."""
    for key in (60, 63):
        write_note(tmp_path / "in" / f"{key}.wav", key)
    manifest = build_instrument(tmp_path / "in", tmp_path / "out", None, BUILT)
    stated = {note.sample.file: note.sample.join for note in manifest.notes}
    proof = prove_instrument(tmp_path / "out", SHORT_HOLD)
    assert {join.sample: join.audibility for join in proof.joins} == stated
    first = manifest.notes[0].sample
    path = tmp_path / "out" / first.file
    samples, rate = soundfile.read(path, always_2d=True)
    samples[first.loop.start_frame : first.loop.end_frame] *= np.linspace(
        1, 2, first.loop.length_frames
    )[:, None]
    soundfile.write(path, samples, rate, subtype="PCM_24")
    again = prove_instrument(tmp_path / "out", SHORT_HOLD)
    assert next(j.audibility.worst_db for j in again.joins if j.sample == first.file) > 0


def test_what_plays_backwards_is_not_late(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    for number in range(3):
        hit = noise_hit(1.2, seed=number)
        soundfile.write(tmp_path / "in" / f"hit {number}.wav", hit, RATE, subtype="PCM_24")
    recipe = Recipe(one_shots=OneShotSettings(reversed_copies=True))
    build_instrument(tmp_path / "in", tmp_path / "out", recipe, BUILT)
    assert "proof-onset" not in rules(prove_instrument(tmp_path / "out", SHORT_HOLD))
    (tmp_path / "out" / "manifest.json").unlink()
    assert "proof-onset" in rules(prove_instrument(tmp_path / "out", SHORT_HOLD))


def test_proof_json_is_strict_repeatable_and_replaces_only_proofs(tmp_path: Path) -> None:
    proof = prove(tmp_path, LOW)
    target = tmp_path / "proof.json"
    write_proof(proof, target)
    first = target.read_bytes()
    write_proof(prove(tmp_path, LOW), target)
    assert target.read_bytes() == first
    data = json.loads(first)
    assert data["format"] == "keymapper-proof"
    assert data == proof_data(proof)
    other = tmp_path / "notes.json"
    other.write_text("{}", "utf-8")
    with pytest.raises(OutputError, match="not replaced"):
        write_proof(proof, other)
    assert other.read_text("utf-8") == "{}"


def test_sources_are_left_alone(tmp_path: Path) -> None:
    file = write_instrument(tmp_path, [LOW])
    before = {path: path.read_bytes() for path in sorted(tmp_path.rglob("*")) if path.is_file()}
    prove_instrument(file, SHORT_HOLD)
    after = {path: path.read_bytes() for path in sorted(tmp_path.rglob("*")) if path.is_file()}
    assert before == after
    assert soundfile.info(tmp_path / "samples" / "zone_00.wav").frames > 0
