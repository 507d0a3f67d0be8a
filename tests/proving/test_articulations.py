"""Whatever a key switch, a controller or chance can start is played, and what is not is told."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from keymapper.formats.sfz import parse_sfz
from keymapper.model.proof import Proof
from keymapper.proving.articulations import articulations
from keymapper.proving.events import PlayerSettings
from keymapper.proving.proof import ProofSettings, player_settings, prove_instrument
from tests.proving.instruments import Zone, write_instrument
from tests.proving.playing import ControllerMove, NoteOff, NoteOn, constant, play

SHORT_HOLD = ProofSettings(hold_seconds=1.2, tail_seconds=0.3)
SWITCHED = {"sw_lokey": "24", "sw_hikey": "25", "sw_default": "24"}
TWO_WAYS = {
    "switch C#1": (SWITCHED | {"sw_last": "24"}, SWITCHED | {"sw_last": "25"}),
    "switch 25 by a range": (
        SWITCHED | {"sw_lolast": "24", "sw_hilast": "24"},
        SWITCHED | {"sw_lolast": "c#1", "sw_hilast": "25"},
    ),
    "C#1 held": (SWITCHED | {"sw_up": "25"}, SWITCHED | {"sw_down": "25"}),
    "CC1 95": ({"hicc1": "63"}, {"locc1": "64"}),
}


def prove(folder: Path, *zones: Zone, settings: ProofSettings = SHORT_HOLD) -> Proof:
    return prove_instrument(write_instrument(folder, list(zones)), settings)


def two_articulations(name: str, second: Zone) -> list[Zone]:
    here, there = TWO_WAYS[name]
    first = Zone(low=60, high=61, root=60, opcodes=here)
    return [first, replace(second, opcodes=there | second.opcodes)]


@pytest.mark.parametrize("name", TWO_WAYS)
@pytest.mark.parametrize("short", [False, True])
def test_a_fault_in_the_second_articulation_is_found_there(
    tmp_path: Path, name: str, *, short: bool
) -> None:
    settings = replace(SHORT_HOLD, short=short)
    off = Zone(low=60, high=61, root=60, opcodes={"tune": "35"})
    proof = prove(tmp_path / "off", *two_articulations(name, off), settings=settings)
    where = "switch C#1" if name.startswith("switch") else name
    assert {finding.rule for finding in proof.findings} == {"proof-tuning"}
    assert all(finding.zone.endswith(f" ({where})") for finding in proof.findings)
    assert {finding.zone.split()[0] for finding in proof.findings} == {"C4", "C#4"}
    silent = Zone(low=60, high=61, root=60, level_db=-110)
    proof = prove(tmp_path / "silent", *two_articulations(name, silent), settings=settings)
    assert {finding.rule for finding in proof.findings} == {"proof-silence"}


@pytest.mark.parametrize("name", TWO_WAYS)
def test_good_articulations_are_played_apart_and_pass(tmp_path: Path, name: str) -> None:
    louder = Zone(low=61, high=62, root=61, level_db=-4)
    proof = prove(tmp_path, *two_articulations(name, louder))
    assert proof.findings == ()
    assert proof.unplayed_opcodes == ()
    assert len(proof.notes) == 16
    assert {len(note.samples) for note in proof.notes} == {1}


def test_zones_that_always_sound_are_not_played_again(tmp_path: Path) -> None:
    extra = Zone(low=60, high=60, root=60, level_db=-30, opcodes={"locc1": "64"})
    proof = prove(tmp_path, Zone(low=60, high=63, root=60), extra)
    assert {note.key for note in proof.notes if note.articulation} == {60}


def test_layers_that_a_controller_fades_in_are_played(tmp_path: Path) -> None:
    soft = Zone(low=60, high=60, root=60, opcodes={"xfout_locc1": "0", "xfout_hicc1": "127"})
    loud = {"xfin_locc1": "0", "xfin_hicc1": "127", "tune": "30"}
    proof = prove(tmp_path, soft, Zone(low=60, high=60, root=60, opcodes=loud))
    assert {f.zone for f in proof.findings if f.rule == "proof-tuning"} >= {"C4 v100 (CC1 127)"}


def test_what_nothing_starts_is_told_in_the_verdict(tmp_path: Path) -> None:
    legato = Zone(low=60, high=61, root=60, opcodes={"trigger": "legato"})
    proof = prove(tmp_path, Zone(low=60, high=61, root=60), legato)
    (finding,) = proof.findings
    assert (finding.rule, finding.severity) == ("proof-left-out", "note")
    assert finding.file == "samples/zone_01.wav"
    assert proof.verdict == (
        "8 notes played: everything lies within the limits; 1 zone could not be played."
    )


def test_release_layers_of_their_own_velocities_are_played(tmp_path: Path) -> None:
    common = {"trigger": "release", "loop_mode": "one_shot"}
    released = [
        Zone(low=60, high=60, root=60, opcodes=common | {"lovel": str(low), "hivel": str(high)})
        for low, high in ((1, 10), (11, 127))
    ]
    proof = prove(tmp_path, Zone(low=60, high=60, root=60), *released)
    assert "proof-left-out" not in {finding.rule for finding in proof.findings}
    assert 10 in {note.velocity for note in proof.notes}


def randoms(*ranges: tuple[float, float]) -> list[Zone]:
    return [
        Zone(low=60, high=60, root=60, opcodes={"lorand": str(low), "hirand": str(high)})
        for low, high in ranges
    ]


def test_a_gap_between_random_ranges_is_silence_and_an_overlap_is_doubled(tmp_path: Path) -> None:
    gap = prove(tmp_path / "gap", *randoms((0, 0.4), (0.5, 1)))
    assert {finding.rule for finding in gap.findings} == {"proof-silence"}
    overlap = prove(tmp_path / "overlap", *randoms((0, 0.6), (0.5, 1)))
    assert "proof-doubled" in {finding.rule for finding in overlap.findings}
    assert prove(tmp_path / "good", *randoms((0, 0.5), (0.5, 1))).findings == ()


def test_switches_move_with_note_offset_and_only_what_is_needed_moves() -> None:
    text = (
        "<control> note_offset=12 set_cc7=100\n"
        "<region> sample=a.wav sw_lolast=12\n"
        "<region> sample=b.wav sw_lolast=13 sw_hilast=14 locc1=10 hicc1=20"
    )
    reading = parse_sfz(text)
    start = PlayerSettings(controllers={7: 100.0}, key_offset=12, last_switch=24)
    found = articulations(reading.regions, start)
    assert [one.name for one in found] == ["", "switch C#1, CC1 15"]
    assert found[1].player.controllers == {7: 100.0, 1: 15.0}


def test_the_player_follows_switches_that_are_held_and_ranges_of_the_last() -> None:
    text = (
        "<global> lokey=60 sw_lokey=24 sw_hikey=26 sw_default=24\n"
        "<region> sample=a.wav sw_up=25 sw_lolast=24 sw_hilast=25 volume=-6\n"
        "<region> sample=b.wav sw_down=25\n"
        "<region> sample=c.wav sw_lolast=26 sw_hilast=26 volume=6"
    )

    def level(*events: NoteOn | NoteOff | ControllerMove) -> float:
        sounds = {name: constant(20_000) for name in "abc"}
        return float(
            play(text, [*events, NoteOn(at_frame=200, key=60, velocity=127)], 400, **sounds)[300, 0]
        )

    down, up = NoteOn(at_frame=0, key=25), NoteOff(at_frame=100, key=25)
    assert level() == pytest.approx(10 ** (-6 / 20), rel=1e-3)
    assert level(down) == pytest.approx(1.0, rel=1e-3)
    assert level(down, up) == pytest.approx(10 ** (-6 / 20), rel=1e-3)
    assert level(NoteOn(at_frame=0, key=26)) == pytest.approx(10 ** (6 / 20), rel=1e-3)


def test_volume_pan_and_expression_start_where_players_start_them() -> None:
    stated = player_settings(parse_sfz("<control> set_cc11=50\n<region> sample=a.wav"), [48_000])
    assert stated.controllers == {7: 100.0, 10: 64.0, 11: 50.0}
