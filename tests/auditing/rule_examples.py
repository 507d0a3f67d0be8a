"""One good and one bad example of every rule."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from keymapper.auditing.subject import Deviation, PackZone
from keymapper.formats.sfz import SfzCrossfade, SfzEnvelope
from keymapper.mapping.names.hints import Contradiction, NameHint
from keymapper.model.instrument import EmbeddedHints
from keymapper.model.loop import Loop
from keymapper.model.sample_facts import Click, SampleTexts, Span
from tests.auditing.subjects import (
    LOOP,
    facts,
    instrument,
    judged_loop,
    pack,
    sample,
    with_problem,
    zone,
)


def _off(cents: float) -> Any:
    return instrument(*(zone(key) for key in range(58, 63)), zone(63, cents))


def _contradiction(kind: str) -> Contradiction:
    return Contradiction(
        index=0,
        name="n58.wav",
        kind=kind,  # type: ignore[arg-type]
        named=50,
        measured=58.0,
        is_certain=True,
        reason="its name says something else",
    )


def _layers(soft_db: float, loud_db: float, **hints: int) -> Any:
    known = [facts(levels={"body_dbfs": level}) for level in (soft_db, loud_db)]
    names = [NameHint(key=60, velocity=hints.get(which)) for which in ("soft", "loud")]
    return instrument(
        zone(known=known[0], file="p.wav", hint=names[0], region={"hivel": 63}),
        zone(known=known[1], file="f.wav", hint=names[1], region={"lovel": 64}),
    )


def _turns(positions: tuple[int, ...], cents: float = 0.0, **changes: Any) -> Any:
    return instrument(
        *(
            zone(
                cents=cents if at else 0.0,
                file=f"t{at}.wav",
                hint=NameHint(key=60, round_robin=at + 1),
                region={"seq_length": 2, "seq_position": position} | changes,
            )
            for at, position in enumerate(positions)
        )
    )


def _random(*spans: tuple[float, float]) -> Any:
    return instrument(
        *(
            zone(file=f"t{at}.wav", region={"lorand": low, "hirand": high})
            for at, (low, high) in enumerate(spans)
        )
    )


def _looped(loop: Loop, **changes: Any) -> PackZone:
    return zone(loop=judged_loop(loop, **changes))


def _levels(**changes: Any) -> Any:
    return sample(known=facts(levels=changes))


def _disturbed(**changes: Any) -> Any:
    return sample(known=facts(disturbances=changes))


def _edges(**changes: Any) -> Any:
    return sample(known=facts(edges=changes))


def _sides(**changes: Any) -> Any:
    return sample(known=facts(sides=changes))


def _noisy(key: int, noise_db: float) -> PackZone:
    return zone(key, known=facts(key, disturbances={"noise_between_db": noise_db}))


def _loud(key: int, body_db: float) -> PackZone:
    return zone(key, known=facts(key, levels={"body_dbfs": body_db}))


GOOD_SAMPLE, GOOD_ZONE = sample(), zone()
GOOD_SET, GOOD_PACK = instrument(), pack()
CON_WAV = pack(files=("CON.wav",))

EXAMPLES: dict[str, tuple[Any, Any]] = {
    "tuning-wrong-key": (GOOD_SET, _off(300.0)),
    "tuning-octave": (GOOD_SET, _off(-1200.0)),
    "tuning-off": (_off(4.0), _off(-12.0)),
    "tuning-slightly-off": (_off(1.0), _off(3.0)),
    "tuning-set-offset": (instrument(offset_semitones=12), instrument(offset_semitones=-5)),
    "tuning-layer-apart": (
        GOOD_SET,
        instrument(zone(60), replace(zone(60, 1200.0), part=1, part_cents=1200.0)),
    ),
    "tuning-set-octave": (GOOD_SET, instrument(offset_semitones=-12)),
    "tuning-drift": (GOOD_ZONE, zone(known=facts(pitch={"drift_cents_per_second": -9.0}))),
    "tuning-neighbours": (_off(3.0), _off(20.0)),
    "tuning-keytrack": (
        instrument(zone(60, region={"pitch_keytrack_cents": 50.0, "hikey": 66})),
        instrument(zone(60, region={"pitch_keytrack_cents": 98.0, "hikey": 66})),
    ),
    "tuning-turns": (_turns((1, 2), 2.0), _turns((1, 2), 12.0)),
    "tuning-layers": (
        _layers(-20, -10),
        instrument(
            zone(cents=-9.0, file="p.wav", region={"hivel": 63}),
            zone(file="f.wav", region={"lovel": 64}),
        ),
    ),
    "tuning-embedded-root": (
        GOOD_ZONE,
        zone(known=facts(embedded=EmbeddedHints(root_key=65, tuning_cents=0.0))),
    ),
    "tuning-name": (GOOD_SET, instrument(contradictions=(_contradiction("key"),))),
    "tuning-no-pitch": (
        GOOD_SET,
        instrument(zone(deviation=Deviation(cents=None, error_cents=0.0, reason="it is noise"))),
    ),
    "level-clipped": (GOOD_SAMPLE, _levels(clipped_frames=12)),
    "level-flat-tops": (GOOD_SAMPLE, _levels(flat_top_frames=40)),
    "level-headroom": (GOOD_SAMPLE, _levels(peak_dbfs=-0.1)),
    "level-over-full-scale": (GOOD_ZONE, zone(region={"volume_db": 9.0})),
    "level-near-silence": (GOOD_SAMPLE, _levels(peak_dbfs=-61.0)),
    "level-dc": (GOOD_SAMPLE, _levels(dc_offset=-0.02)),
    "level-dropout": (
        GOOD_SAMPLE,
        _disturbed(dropouts=(Span(start_frame=500, end_frame=900),)),
    ),
    "level-click": (GOOD_SAMPLE, _disturbed(clicks=(Click(frame=4_000, over_db=25.0),))),
    "level-hum": (GOOD_SAMPLE, _disturbed(hum_hz=50.0, hum_db=-40.0)),
    "level-noise": (GOOD_SAMPLE, _disturbed(noise_dbfs=-45.0)),
    "level-noise-within": (
        instrument(*(_noisy(key, -70.0) for key in range(50, 57))),
        instrument(*(_noisy(key, -40.0 if key == 53 else -70.0) for key in range(50, 57))),
    ),
    "level-step-keys": (
        instrument(*(_loud(key, -15.0 - 0.5 * key) for key in range(7))),
        instrument(*(_loud(key, -25.0 if key == 3 else -15.0) for key in range(7))),
    ),
    "level-step-layers": (_layers(-20, -12), _layers(-40, -12)),
    "level-layer-order": (_layers(-20, -12), _layers(-12, -24)),
    "level-named-velocity": (GOOD_SET, instrument(contradictions=(_contradiction("velocity"),))),
    "level-set-uneven": (
        GOOD_PACK,
        pack(
            instruments=(
                instrument(name="a.sfz"),
                instrument(_loud(60, -45.0), name="b.sfz"),
            )
        ),
    ),
    "edge-late-start": (
        GOOD_PACK,
        pack(sample("a.wav", facts(edges={"lead_seconds": 0.08, "rise_seconds": 0.01}))),
    ),
    "edge-click-at-head": (GOOD_PACK, pack(sample(known=facts(edges={"first_step_db": -12.0})))),
    "edge-click-at-tail": (GOOD_SAMPLE, _edges(last_step_db=-9.0)),
    "edge-tail-cut": (GOOD_SAMPLE, _edges(tail_db=-4.0, fades_out=False)),
    "edge-long-silence": (GOOD_SAMPLE, _edges(longest_pause_seconds=2.5)),
    "loop-outside-file": (GOOD_ZONE, _looped(Loop(start_frame=500, end_frame=100_001), join=None)),
    "loop-on-frame-0": (GOOD_ZONE, _looped(Loop(start_frame=0, end_frame=50_000))),
    "loop-without-points": (GOOD_ZONE, zone(loop_from="whole file")),
    "loop-too-short": (GOOD_ZONE, _looped(Loop(start_frame=50_000, end_frame=50_090))),
    "loop-audible": (GOOD_ZONE, zone(loop=judged_loop(worst_db=14.0))),
    "loop-mistuned": (
        zone(loop=judged_loop(mistuned_cents=0.2)),
        zone(loop=judged_loop(mistuned_cents=-20.0)),
    ),
    "loop-embedded-disagrees": (
        GOOD_ZONE,
        zone(loop=judged_loop(Loop(start_frame=48_000, end_frame=96_001))),
    ),
    "loop-missing": (
        GOOD_SET,
        instrument(zone(loop=None, loop_from=None, region={"loop_mode": "no_loop"})),
    ),
    "loop-on-decay": (
        GOOD_ZONE,
        zone(known=facts(sustains=False), loop=judged_loop(fall_db=9.0)),
    ),
    "loop-embedded-kind": (
        GOOD_SAMPLE,
        sample(known=facts(texts=SampleTexts(loop_remarks=("its smpl loop runs backward",)))),
    ),
    "loop-counted": (
        zone(region={"other_opcodes": (("loop_count", "0"),)}),
        zone(region={"other_opcodes": (("loop_count", "3"),)}),
    ),
    "loop-skipped": (
        zone(region={"offset_frames": LOOP.end_frame - 1}),
        zone(region={"offset_frames": LOOP.end_frame}),
    ),
    "map-random-turns": (_random((0.0, 0.5), (0.5, 1.0)), _random((0.0, 0.4), (0.5, 1.0))),
    "loop-on-release": (
        zone(region={"trigger": "release", "envelope": SfzEnvelope(sustain_percent=0.0)}),
        zone(region={"trigger": "release"}),
    ),
    "stereo-dead-side": (GOOD_SAMPLE, _sides(dead="left", balance_db=90.0)),
    "stereo-inverted": (GOOD_SAMPLE, _sides(correlation=-0.99)),
    "stereo-mono-loss": (GOOD_SAMPLE, sample(known=facts(mono_loss_db=8.0))),
    "stereo-lean": (GOOD_PACK, pack(sample("a.wav", facts(sides={"balance_db": -5.0})))),
    "stereo-equal-sides": (GOOD_SAMPLE, _sides(equal=True)),
    "map-gap": (GOOD_SET, instrument(zone(58), zone(59), zone(62))),
    "map-velocity-gap": (GOOD_SET, instrument(zone(region={"lovel": 10}))),
    "map-overlap": (
        instrument(
            zone(60, region={"hikey": 61, "key_crossfade": SfzCrossfade(out_low=60, out_high=61)}),
            zone(61),
        ),
        instrument(zone(60, region={"hikey": 61}), zone(61)),
    ),
    "map-unreachable": (GOOD_ZONE, zone(region={"lokey": 70, "hikey": 60})),
    "map-transposed-far": (GOOD_ZONE, zone(region={"hikey": 90})),
    "map-turns": (_turns((1, 2)), _turns((1, 1))),
    "map-turn-order": (_turns((1, 2)), _turns((2, 1))),
    "map-layer-order": (
        _layers(-20, -12, soft=40, loud=110),
        _layers(-20, -12, soft=110, loud=40),
    ),
    "map-name-disagrees": (
        GOOD_SET,
        instrument(*(zone(key) for key in range(58, 62)), zone(62, hint=NameHint(key=55))),
    ),
    "map-switch-without-default": (
        instrument(zone(region={"sw_last": 24, "sw_default": 24})),
        instrument(zone(region={"sw_last": 24})),
    ),
    "map-crossfade-reversed": (
        zone(region={"velocity_crossfade": SfzCrossfade(in_low=40, in_high=80)}),
        zone(region={"velocity_crossfade": SfzCrossfade(in_low=80, in_high=40)}),
    ),
    "map-off-by-nothing": (
        instrument(zone(60, region={"group": 1}), zone(62, region={"off_by": 1})),
        instrument(zone(60, region={"group": 2}), zone(62, region={"off_by": 1})),
    ),
    "file-missing": (GOOD_SET, with_problem("sample-missing")),
    "file-wrong-case": (GOOD_SET, with_problem("wrong-case")),
    "file-outside-pack": (GOOD_SET, with_problem("outside-pack")),
    "file-link-out": (GOOD_PACK, pack(links_out=("a.wav",))),
    "file-unused": (GOOD_PACK, pack(unused=("b.wav",))),
    "file-unreadable": (
        GOOD_SAMPLE,
        replace(sample(), facts=None, unreadable="the file is empty"),
    ),
    "file-truncated": (GOOD_SAMPLE, sample(known=facts(missing_frames=3))),
    "file-clashing-names": (GOOD_PACK, pack(files=("a.wav", "A.wav"))),
    "file-unsafe-name": (GOOD_PACK, CON_WAV),
    "file-awkward-name": (GOOD_PACK, pack(files=("F#2.wav",))),
    "file-mixed-rates": (
        GOOD_PACK,
        pack(sample("a.wav"), sample("b.wav"), sample("c.wav", facts(rate=44_100))),
    ),
    "file-mixed-depths": (
        GOOD_PACK,
        pack(sample("a.wav"), sample("b.wav"), sample("c.wav", facts(encoding="PCM_16"))),
    ),
    "file-mixed-channels": (
        GOOD_PACK,
        pack(sample("a.wav"), sample("b.wav"), sample("c.wav", facts(channels=1))),
    ),
    "file-duplicate-audio": (GOOD_PACK, pack(sample("a.wav"), sample("b.wav"))),
    "file-text-chunk": (
        GOOD_SAMPLE,
        sample(known=facts(texts=SampleTexts(problems=("its iXML is no XML",)))),
    ),
    "sfz-unreadable": (GOOD_SET, instrument(unreadable="it is no text")),
    "sfz-syntax": (GOOD_SET, with_problem("stray-text")),
    "sfz-variable": (GOOD_SET, with_problem("undefined-variable")),
    "sfz-include": (GOOD_SET, with_problem("include-missing")),
    "sfz-value": (GOOD_SET, with_problem("bad-value")),
    "sfz-portability": (GOOD_SET, with_problem("backslash")),
    "sfz-region-without-sample": (GOOD_SET, with_problem("region-without-sample")),
    "sfz-unknown-opcode": (GOOD_SET, instrument(unknown_opcodes=("ampeg_realease",))),
}
"""Rule id: a subject without the fault, and one with it."""
