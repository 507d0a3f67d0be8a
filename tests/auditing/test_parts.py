"""Zones belong to articulations, layers and splits; each part is judged by itself."""

from __future__ import annotations

import pytest

from keymapper.auditing.parts import offset_semitones, parts_of, placed_in_parts
from keymapper.auditing.rules import rule_by_id
from keymapper.auditing.subject import PackZone
from tests.auditing.subjects import instrument, zone

KEYS = range(48, 72, 4)


def _row(cents: float = 0.0, *, odd: float = 0.0, **region: object) -> list[PackZone]:
    """A row of zones over the keyboard; `odd` is what the third is off beside the others."""
    return [
        zone(key, cents + (odd if at == 2 else 0.0), region={"hikey": key + 3} | region)
        for at, key in enumerate(KEYS)
    ]


def _found(rule_id: str, zones: list[PackZone]) -> list[str | None]:
    rule = rule_by_id(rule_id)
    assert rule is not None
    placed, semitones = placed_in_parts(zones)
    whole = instrument(*placed, offset_semitones=semitones)
    return [one.zone for one in rule.check(whole, rule.limit)]


@pytest.mark.parametrize(
    "other",
    [
        _row(1200.0, transpose_semitones=12),
        _row(700.0, transpose_semitones=7, group=2),
        _row(-1200.0),
        _row(1200.0, transpose_semitones=12)[:2],
    ],
)
def test_a_layer_is_no_fault_but_told(other):
    zones = _row() + other
    assert _found("tuning-octave", zones) == _found("tuning-wrong-key", zones) == []
    assert _found("tuning-off", zones) == []
    assert len(_found("tuning-layer-apart", zones)) == 1


def test_detuned_layers_are_no_fault():
    zones = _row(-7.0, pan_percent=-60.0) + _row(7.0, pan_percent=60.0)
    assert _found("tuning-slightly-off", zones) == []


def test_a_set_that_is_off_as_a_whole_stays_so_with_an_octave_above():
    zones = _row(20.0) + _row(1220.0, transpose_semitones=12)
    assert len(_found("tuning-off", zones)) == len(zones)


@pytest.mark.parametrize("odd", [30.0, 1200.0, 100.0])
def test_a_zone_that_is_off_within_its_layer_is_found(odd):
    rule = {30.0: "tuning-off", 1200.0: "tuning-octave", 100.0: "tuning-wrong-key"}[odd]
    zones = _row() + _row(1200.0, odd=odd, transpose_semitones=12)
    assert _found(rule, zones) == [zones[len(KEYS) + 2].label]


def test_a_transposed_side_of_a_split_is_judged_by_itself():
    low, high = _row(-1200.0, transpose_semitones=-12)[:3], _row()[3:]
    assert _found("tuning-octave", low + high) == []


def test_a_zone_that_alone_is_transposed_is_found():
    zones = _row()
    zones[2] = zone(KEYS[2], 1200.0, region={"hikey": KEYS[2] + 3, "transpose_semitones": 12})
    assert _found("tuning-octave", zones) == [zones[2].label]


def test_layers_of_velocity_turns_and_single_pans_are_one_part():
    soft, hard = _row(hivel=60), _row(lovel=61)
    turns = _row(seq_length=2) + _row(seq_length=2, seq_position=2)
    panned = [zone(key, region={"pan_percent": float(key - 60)}) for key in KEYS]
    for zones in (soft + hard, turns, panned):
        assert set(parts_of(zones)) == {0}


def test_a_zone_that_reaches_into_another_stays_in_its_part():
    zones = _row()
    zones[1] = zone(KEYS[1], region={"hikey": KEYS[1] + 5})
    assert set(parts_of(zones)) == {0}


def test_switches_part_articulations():
    zones = _row(other_opcodes=(("sw_lolast", "24"),)) + _row(other_opcodes=(("sw_lolast", "25"),))
    assert set(parts_of(zones)) == {0, 1}


def test_half_a_semitone_is_no_transposition():
    assert offset_semitones([48.0, 51.0, 52.0, 47.0]) in (0, 1)
    assert offset_semitones([1200.0, 1210.0, 1195.0]) == 12
    assert offset_semitones([0.0, 700.0, 1200.0]) == 0
