"""Every rule finds its bad example, leaves its good one alone, and says what to do."""

from __future__ import annotations

import pytest

from keymapper.auditing.judging import judged_pack
from keymapper.auditing.levels import played_db, velocity_gain_db
from keymapper.auditing.parts import placed_in_parts
from keymapper.auditing.rule import Hit, NotJudged, Rule
from keymapper.auditing.rules import ALL_RULES, rule_by_id
from keymapper.formats.sfz import SfzRegion
from keymapper.model.finding import GRAVITY, RuleChange
from keymapper.model.loop import Loop
from tests.auditing.rule_examples import EXAMPLES
from tests.auditing.subjects import facts, instrument, judged_loop, pack, sample, zone

FAMILIES = {"tuning", "level", "edge", "loop", "stereo", "map", "file", "sfz"}


def _hits(rule: Rule, subject: object) -> list[Hit]:
    return [one for one in rule.check(subject, rule.limit) if isinstance(one, Hit)]


def test_every_rule_has_examples_and_an_id_of_its_own():
    identities = [rule.id for rule in ALL_RULES]
    assert len(set(identities)) == len(identities)
    assert set(identities) == set(EXAMPLES)
    assert {rule.family for rule in ALL_RULES} == FAMILIES


@pytest.mark.parametrize("rule", ALL_RULES, ids=lambda rule: rule.id)
def test_the_good_example_is_left_alone(rule: Rule):
    assert _hits(rule, EXAMPLES[rule.id][0]) == []


@pytest.mark.parametrize("rule", ALL_RULES, ids=lambda rule: rule.id)
def test_the_bad_example_is_found(rule: Rule):
    hits = _hits(rule, EXAMPLES[rule.id][1])
    assert hits
    for hit in hits:
        assert hit.message
        assert not hit.message.endswith(".")


@pytest.mark.parametrize("rule", ALL_RULES, ids=lambda rule: rule.id)
def test_a_rule_tells_why_and_what_to_do(rule: Rule):
    assert rule.severity in GRAVITY
    assert rule.check.__doc__
    for text in (rule.why, rule.fix):
        assert text.endswith(".")
    assert not rule.title.endswith(".")


def test_a_faultless_pack_gives_nothing():
    assert judged_pack(pack()).findings == ()


def test_findings_come_worst_first_and_name_their_place():
    spoiled = pack(
        sample("b.wav", facts(61, levels={"dc_offset": 0.02})),
        sample("a.wav", facts(60, levels={"clipped_frames": 9})),
    )
    findings = judged_pack(spoiled).findings
    assert [(one.rule, one.file) for one in findings] == [
        ("level-clipped", "a.wav"),
        ("level-dc", "b.wav"),
    ]
    assert (findings[1].limit, findings[1].unit) == (-50.0, "dBFS")
    assert findings[1].measured == pytest.approx(-34.0, abs=0.1)


def test_a_rule_or_a_family_can_be_switched_off():
    spoiled = pack(sample("a.wav", facts(levels={"dc_offset": 0.02, "clipped_frames": 9})))
    without = [RuleChange(rule="level-dc", off=True, reason="as recorded")]
    assert [one.rule for one in judged_pack(spoiled, without).findings] == ["level-clipped"]
    family = [RuleChange(rule="level", off=True, reason="levels are not ours")]
    assert judged_pack(spoiled, family).findings == ()


def test_a_limit_and_a_severity_can_be_moved():
    spoiled = pack(sample("a.wav", facts(levels={"dc_offset": 0.02})))
    wider = [RuleChange(rule="level-dc", limit=-30.0, reason="it is cut")]
    assert judged_pack(spoiled, wider).findings == ()
    graver = [RuleChange(rule="level-dc", severity="error", reason="it is for sale")]
    assert [one.severity for one in judged_pack(spoiled, graver).findings] == ["error"]


def test_moving_a_limit_of_one_rule_leaves_its_neighbours_alone():
    sharp = pack(instruments=(instrument(*(zone(key) for key in range(58, 63)), zone(63, 6.0)),))
    change = [RuleChange(rule="tuning-off", severity="error", reason="stretched on purpose")]
    assert [one.severity for one in judged_pack(sharp, change).findings] == ["error"]


@pytest.mark.parametrize(
    ("cents", "change", "found"),
    [
        (6.0, {"rule": "tuning-off", "limit": 8.0}, ["tuning-slightly-off"]),
        (6.0, {"rule": "tuning-off", "off": True}, []),
        (6.0, {"rule": "tuning-slightly-off", "off": True}, ["tuning-off"]),
        (4.0, {"rule": "tuning-off", "limit": 3.0}, ["tuning-off"]),
        (60.0, {"rule": "tuning-wrong-key", "limit": 80.0}, ["tuning-off"]),
        (40.0, {"rule": "tuning-wrong-key", "limit": 30.0}, ["tuning-wrong-key"]),
        (1200.0, {"rule": "tuning-wrong-key", "limit": 2000.0}, ["tuning-octave"]),
    ],
)
def test_a_rule_judges_up_to_where_the_graver_one_begins(cents, change, found):
    off = instrument(*(zone(key) for key in range(58, 63)), zone(63, cents))
    changes = [
        RuleChange(reason="stretched on purpose", **change),
        RuleChange(rule="tuning-neighbours", off=True, reason="stretched on purpose"),
    ]
    findings = judged_pack(pack(instruments=(off,)), changes).findings
    assert [one.rule for one in findings] == found


def test_what_cannot_be_judged_is_said_with_its_reason():
    silent = pack(sample("a.wav", facts(disturbances={"noise_dbfs": None})))
    (unjudged,) = judged_pack(silent).unjudged
    assert (unjudged.rule, unjudged.file) == ("level-noise", "a.wav")
    assert "silence" in unjudged.reason


def test_a_loop_may_be_counted_without_end():
    endless = zone(region={"other_opcodes": (("loop_count", "9" * 5000),)})
    rule = rule_by_id("loop-counted")
    assert rule is not None
    assert [type(one) for one in rule.check(endless, 0.0)] == [Hit]


def test_a_one_shot_that_sustains_needs_no_loop():
    rule = rule_by_id("loop-missing")
    assert rule is not None
    shot = instrument(zone(loop=None, loop_from=None, region={"loop_mode": "one_shot"}))
    assert [type(one) for one in rule.check(shot, 0.0)] == [NotJudged]


@pytest.mark.parametrize("identity", ["tuning-off", "map-velocity-gap", "loop-missing"])
@pytest.mark.parametrize(
    ("trigger", "is_judged"),
    [("attack", True), ("first", True), ("legato", True), ("release", False)],
)
def test_whatever_a_key_starts_when_it_goes_down_is_judged(identity, trigger, is_judged):
    rule = rule_by_id(identity)
    assert rule is not None
    region = {"trigger": trigger, "hivel": 100}
    unlooped = {"loop": None, "loop_from": None}
    zones = (zone(58, 20.0, region=region), zone(61, region=region, **unlooped))
    assert bool(_hits(rule, instrument(*zones))) == is_judged


@pytest.mark.parametrize(("group", "is_found"), [(0, True), (2, False)])
def test_a_mute_zone_is_dead_unless_it_turns_others_off(group, is_found):
    mute = zone(61, 20.0, region={"end_frame": 0, "group": group})
    found = {
        one.rule for one in judged_pack(pack(instruments=(instrument(zone(60), mute),))).findings
    }
    assert found == ({"map-unreachable"} if is_found else set())


def test_a_key_that_turns_others_off_is_no_gap():
    rule = rule_by_id("map-gap")
    assert rule is not None
    mute = zone(61, region={"end_frame": 0, "group": 2})
    low, high = zone(60, region={"lokey": 58}), zone(62)
    assert _hits(rule, instrument(low, high))
    assert _hits(rule, instrument(low, mute, high)) == []


def test_a_root_elsewhere_that_transposing_undoes_is_no_fault():
    far, disagrees = rule_by_id("map-transposed-far"), rule_by_id("map-name-disagrees")
    assert far is not None
    assert disagrees is not None
    moved = {"transpose_semitones": 13.0, "tune_cents": -100.0}
    undone = zone(62, region=moved, root_key=74)
    assert _hits(far, undone) == []
    assert _hits(disagrees, instrument(*(zone(key) for key in range(58, 62)), undone)) == []
    assert _hits(far, zone(62, root_key=75))
    layer = zone(62, region={"transpose_semitones": -12.0, "lokey": 60, "hikey": 64})
    assert _hits(far, layer) == []
    assert _hits(disagrees, instrument(*(zone(key) for key in range(58, 62)), layer)) == []


@pytest.mark.parametrize(
    ("identity", "cents"), [("tuning-wrong-key", 300.0), ("tuning-octave", -1200.0)]
)
def test_a_root_key_is_advised_as_it_is_written(identity, cents):
    """With note_offset=-3, whoever wants key 60 has to write 63."""
    rule = rule_by_id(identity)
    assert rule is not None
    off = zone(63, cents, region={"key_offset": -3})
    (hit,) = _hits(rule, instrument(*(zone(key) for key in range(58, 63)), off))
    assert hit.fix is not None
    assert f"pitch_keycenter={66 + round(cents / 100)}," in hit.fix


def test_a_slow_fall_among_sounds_that_die_away_needs_no_loop():
    rule = rule_by_id("loop-missing")
    assert rule is not None
    unlooped = {"loop": None, "loop_from": None, "region": {"loop_mode": "no_loop"}}
    dying = [zone(key, known=facts(key, sustains=False), **unlooped) for key in (59, 60)]
    held = zone(58, **unlooped)
    assert [type(one) for one in rule.check(instrument(held, *dying), 0.0)] == [NotJudged]
    assert len(_hits(rule, instrument(held, dying[0], zone(61)))) == 1


@pytest.mark.parametrize(("root_key", "gain_db"), [(60, 0.0), (64, -8.0), (20, 16.0)])
def test_a_level_is_that_of_the_key_it_is_played_on(root_key, gain_db):
    region = {"amp_keytrack_db": -2.0, "lokey": 52, "hikey": 70}
    tracked = zone(60, region=region, root_key=root_key)
    assert played_db(tracked) - played_db(zone(60)) == pytest.approx(gain_db)


@pytest.mark.parametrize(("veltrack", "gain_db"), [(100, -11.9), (0, 0.0), (-100, -2.5)])
def test_velocity_is_judged_as_players_play_it(veltrack, gain_db):
    region = SfzRegion(sample="a.wav", amp_veltrack_percent=veltrack)
    assert velocity_gain_db(region, 64) == pytest.approx(gain_db, abs=0.1)


def test_layers_with_the_same_ranges_are_no_overlap():
    rule = rule_by_id("map-overlap")
    assert rule is not None
    assert _hits(rule, instrument(zone(file="a.wav"), zone(file="b.wav"))) == []
    assert _hits(rule, instrument(zone(file="a.wav"), zone(file="a.wav")))


@pytest.mark.parametrize("reach", [0, 1])
@pytest.mark.parametrize("keys", [2, 4])
def test_borders_that_all_overlap_are_no_layers(keys, reach):
    rule = rule_by_id("map-overlap")
    assert rule is not None
    starts = range(40, 40 + 8 * keys, keys)
    zones = [zone(low, region={"lokey": low, "hikey": low + keys - 1 + reach}) for low in starts]
    placed, _ = placed_in_parts(zones)
    assert len(_hits(rule, instrument(*placed))) == reach * (len(zones) - 1)


@pytest.mark.parametrize("last", [63, 64])
def test_velocities_that_all_overlap_are_no_layers(last):
    rule = rule_by_id("map-overlap")
    assert rule is not None
    layers = [{"hivel": last}, {"lovel": 64}]
    zones = [
        zone(key, file=f"{key}{layer}.wav", region=layer)
        for key in range(40, 46)
        for layer in layers
    ]
    placed, _ = placed_in_parts(zones)
    assert len(_hits(rule, instrument(*placed))) == (6 if last == 64 else 0)


def test_late_recordings_are_judged_by_their_like():
    rule = rule_by_id("edge-late-start")
    assert rule is not None
    seconds = [0.08, 0.09, 0.1, 0.4]
    files = [
        sample(f"{at}.wav", facts(edges={"lead_seconds": one}), mapped=False)
        for at, one in enumerate(seconds)
    ]
    assert [one.file for one in _hits(rule, pack(*files))] == ["3.wav"]


@pytest.mark.parametrize(("switch", "found"), [(24, True), (25, False)])
def test_an_articulation_is_held_against_its_like(switch: int, found: bool):
    """Breathy notes, a few among many: faults of the set, or an articulation of their own."""
    rule = rule_by_id("level-noise-within")
    assert rule is not None
    notes = [(key, 24, -70.0) for key in range(50, 63)]
    notes += [(key, switch, -40.0) for key in (50, 56, 62)]
    zones = [
        zone(
            key,
            known=facts(key, disturbances={"noise_between_db": noise_db}),
            region={"sw_last": last},
        )
        for key, last, noise_db in notes
    ]
    assert bool(_hits(rule, instrument(*zones))) == found


BREATH = {"lokey": 48, "hikey": 71, "pitch_keytrack_cents": 0.0}


@pytest.mark.parametrize(
    "changes",
    [
        BREATH,
        BREATH | {"lovel": 100},
        {"lokey": 50, "hikey": 69, "transpose_semitones": 12.0},
        {"lokey": 40, "hikey": 61, "other_opcodes": (("sw_down", "24"),)},
        {"lokey": 40, "hikey": 61, "other_opcodes": (("sw_hilast", "24"),)},
    ],
)
def test_layers_and_articulations_are_no_overlap(changes):
    rule = rule_by_id("map-overlap")
    assert rule is not None
    row = [zone(key, region={"hikey": key + 3}) for key in range(48, 72, 4)]
    placed, _ = placed_in_parts([*row, zone(60, file="breath.wav", region=changes)])
    assert _hits(rule, instrument(*placed)) == []


def test_all_zones_twice_are_an_overlap():
    rule = rule_by_id("map-overlap")
    assert rule is not None
    row = [zone(key, file=f"{key}.wav", region={"hikey": key + 3}) for key in range(48, 72, 4)]
    placed, _ = placed_in_parts([*row, *row])
    assert len(_hits(rule, instrument(*placed))) == len(row)


def test_a_noise_started_by_a_pedal_can_sound():
    rule = rule_by_id("map-unreachable")
    assert rule is not None
    pedal = {"lokey": -1, "hikey": -1, "other_opcodes": (("on_locc64", "64"),)}
    assert _hits(rule, zone(region=pedal)) == []
    assert _hits(rule, zone(region={"lokey": -1, "hikey": -1}))


def test_a_wave_made_by_the_player_is_transposed_as_far_as_it_likes():
    rule = rule_by_id("map-transposed-far")
    assert rule is not None
    assert _hits(rule, zone(region={"lokey": 0, "sample": "*sine"})) == []


@pytest.mark.parametrize("identity", ["edge-tail-cut", "edge-late-start"])
def test_a_reversed_sound_starts_from_nothing_and_ends_at_its_loudest(identity):
    rule = rule_by_id(identity)
    assert rule is not None
    edges = {"lead_seconds": 0.06, "fades_out": False}
    reversed_one = sample(known=facts(edges=edges | {"tail_db": 6.0}))
    cut_one = sample(known=facts(edges=edges | {"tail_db": 0.5}))
    subjects = [pack(one) if rule.on == "pack" else one for one in (reversed_one, cut_one)]
    assert [len(_hits(rule, one)) for one in subjects] == [0, 1]


@pytest.mark.parametrize(
    ("identity", "frames", "found"),
    [
        (identity, frames, found)
        for identity in ("loop-on-frame-0", "loop-too-short", "loop-audible", "map-transposed-far")
        for frames, found in ((400, 0), (401, 1))
    ],
)
def test_the_cycle_of_a_wave_is_all_loop(identity, frames, found):
    rule = rule_by_id(identity)
    assert rule is not None
    loop = judged_loop(Loop(start_frame=0, end_frame=400), worst_db=20.0)
    wave = zone(known=facts(frames=frames), loop=loop, region={"lokey": 0, "hikey": 127})
    assert len(_hits(rule, wave)) == found


@pytest.mark.parametrize(
    ("spans", "measured"),
    [
        (((0.0, 0.6), (0.5, 1.0)), [10.0]),
        (((0.1, 0.6), (0.5, 1.0)), [10.0, 10.0]),
        (((0.0, 0.5), (0.5, 1.0), (0.0, 0.5)), []),
        (((0.0, 0.3),), []),
        (((0.0, 0.333), (0.333, 0.667), (0.667, 1.0)), []),
    ],
)
def test_random_turns_share_the_time_among_them(spans, measured):
    rule = rule_by_id("map-random-turns")
    assert rule is not None
    turns = [
        zone(file=f"{at}.wav", region={"lorand": low, "hirand": high})
        for at, (low, high) in enumerate(spans)
    ]
    assert [one.measured for one in _hits(rule, instrument(*turns))] == measured


def test_random_turns_are_no_overlap():
    rule = rule_by_id("map-overlap")
    assert rule is not None
    turns = [zone(region={"hirand": 0.6}), zone(region={"lorand": 0.5})]
    assert _hits(rule, instrument(*turns)) == []
