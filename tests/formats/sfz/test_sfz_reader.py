"""Files as people write them."""

from __future__ import annotations

from pathlib import Path

import pytest

from keymapper.errors import InputError
from keymapper.formats.sfz import SfzReading, SfzRegion, parse_sfz, read_sfz, reader


def region(text: str) -> SfzRegion:
    (only,) = parse_sfz(text).regions
    return only


def kinds(reading: SfzReading) -> list[str]:
    return [problem.kind for problem in reading.problems]


def pack(folder: Path, files: dict[str, str | bytes]) -> Path:
    for name, content in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content.encode() if isinstance(content, str) else content)
    return folder / "main.sfz"


def test_nearest_header_wins_and_a_new_group_forgets_the_old_one() -> None:
    first, second, third = parse_sfz(
        "<global>volume=-6 tune=1 <master>tune=2 <group>tune=3 pan=10\n"
        "<region>sample=a.wav tune=4 <region>sample=b.wav\n<group> <region>sample=c.wav"
    ).regions
    assert (first.tune_cents, first.pan_percent, first.volume_db) == (4, 10, -6)
    assert (second.tune_cents, second.pan_percent) == (3, 10)
    assert (third.tune_cents, third.pan_percent, third.volume_db) == (2, 0, -6)


def test_a_new_global_forgets_master_and_group() -> None:
    reading = parse_sfz(
        "<global>pan=1 <master>tune=5 <group>volume=3 <global> <region>sample=a.wav"
    )
    assert reading.regions[0] == SfzRegion(sample="a.wav", line=1)


def test_inclusive_ends_become_exclusive() -> None:
    zone = region("<region>sample=a.wav loop_start=100 loop_end=299 end=999")
    assert (zone.loop_start_frame, zone.loop_end_frame, zone.end_frame) == (100, 300, 1000)
    assert region("<region>sample=a.wav end=-1").end_frame == 0


def test_aliases() -> None:
    zone = region("<region>sample=a.wav loopmode=one_shot loopstart=5 loopend=9 pitch=-7 gain=-2")
    assert (zone.loop_mode, zone.loop_start_frame, zone.loop_end_frame) == ("one_shot", 5, 10)
    assert (zone.tune_cents, zone.volume_db) == (-7, -2)


@pytest.mark.parametrize(
    ("text", "key"),
    [("c4", 60), ("C#4", 61), ("db4", 61), ("c-1", 0), ("G9", 127), ("60", 60), ("b3", 59)],
)
def test_keys_by_name_or_number(text: str, key: int) -> None:
    zone = region(f"<region>sample=a.wav key={text}")
    assert (zone.lokey, zone.hikey, zone.pitch_keycenter) == (key, key, key)


def test_the_last_of_key_and_its_parts_wins() -> None:
    assert region("<region>sample=a.wav key=60 pitch_keycenter=62").pitch_keycenter == 62
    assert region("<region>sample=a.wav pitch_keycenter=62 key=60").pitch_keycenter == 60


def test_comments_of_both_kinds_and_of_several_lines() -> None:
    zone = region(
        "/ an old comment\n   /* one\n two tune=9 */ <region> // sample=no.wav\n"
        "sample=a.wav /* in between */ tune=3 // tune=4"
    )
    assert (zone.sample, zone.tune_cents, zone.line) == ("a.wav", 3, 3)
    assert kinds(parse_sfz("<region>sample=a.wav /* never closed")) == ["unclosed-comment"]


def test_values_with_blanks_end_at_the_next_opcode_or_header() -> None:
    first, second = parse_sfz(
        "<region>sample=my pad  C#4 (soft).wav key=60<region> sample=b c.wav"
    ).regions
    assert (first.sample, first.lokey) == ("my pad  C#4 (soft).wav", 60)
    assert second.sample == "b c.wav"


def test_byte_order_mark_and_every_kind_of_line_end() -> None:
    reading = parse_sfz("\ufeff<region>\r\nsample=a.wav\rtune=3\ttranspose=1")
    assert kinds(reading) == ["byte-order-mark"]
    assert (reading.regions[0].tune_cents, reading.regions[0].transpose_semitones) == (3, 1)


def test_defines_work_in_names_values_and_paths() -> None:
    zone = region(
        "#define $FOLDER pads #define $K 61\n#define $OP tune\n"
        "<region>sample=$FOLDER/a.wav key=$K $OP=-3"
    )
    assert (zone.sample, zone.lokey, zone.tune_cents) == ("pads/a.wav", 61, -3)


def test_clashing_and_missing_defines_are_reported() -> None:
    reading = parse_sfz("#define $K 1\n#define $KEY 60\n<region>sample=a.wav key=$KEY tune=$NO")
    assert kinds(reading)[:2] == ["define-clash", "undefined-variable"]
    assert reading.regions[0].lokey == 1  # "1EY": the shorter name wins, as in players


def test_defines_cannot_grow_without_limit() -> None:
    bomb = "#define $A xxxxxxxxxxxxxxxx\n" + "\n".join(
        f"#define ${chr(66 + i)} " + f"${chr(65 + i)}" * 16 for i in range(20)
    )
    assert "bad-define" in kinds(parse_sfz(bomb + "\n<region>sample=$U"))
    with pytest.raises(InputError, match="beyond"):
        parse_sfz(bomb + "\n<region>" + "\n".join("sample=" + "$U" * 100 for _ in range(100)))


def test_default_path_is_a_plain_prefix_and_spares_generators() -> None:
    first, second = parse_sfz(
        "<control>default_path=..\\Samples\\pad_\n<region>sample=c4.wav <region>sample=*sine"
    ).regions
    assert first.sample == "../Samples/pad_c4.wav"
    assert (second.sample, second.is_generator) == ("*sine", True)


def test_note_and_octave_offset_move_all_keys() -> None:
    zone = region("<control>note_offset=1 octave_offset=-1\n<region>sample=a.wav key=60 hikey=c5")
    assert (zone.lokey, zone.hikey, zone.pitch_keycenter) == (49, 61, 49)


def test_controllers_filters_crossfades_and_curves() -> None:
    reading = parse_sfz(
        "<control>set_cc74=127 label_cc74=Bright ness set_hdcc72=0.5\n"
        "<curve>curve_index=7 v000=0 v127=0.5\n"
        "<region>sample=a.wav cutoff=200 fil_type=lpf_1p cutoff_cc74=7200 cutoff_curvecc74=7 "
        "ampeg_releasecc72=2 locc1=10 hicc1=20 xfin_locc4=1 xfin_hicc4=9 xf_velcurve=gain "
        "xfin_lovel=20 xfin_hivel=40 amp_velcurve_64=0.25"
    )
    zone = reading.regions[0]
    assert reading.control.controllers == ((72, 63.5), (74, 127.0))
    assert reading.control.labels == ((74, "Bright ness"),)
    assert reading.curves[0].points == ((0, 0.0), (127, 0.5))
    assert zone.filter is not None
    assert (zone.filter.kind, zone.filter.cutoff_hz) == ("lpf_1p", 200)
    release, cutoff = zone.modulations
    assert (release.target, release.controller, release.amount) == ("ampeg_release", 72, 2)
    assert (cutoff.target, cutoff.controller, cutoff.amount, cutoff.curve) == (
        "cutoff",
        74,
        7200,
        7,
    )
    assert (zone.controller_ranges[0].low, zone.controller_ranges[0].high) == (10, 20)
    assert (zone.controller_crossfades[0].in_low, zone.controller_crossfades[0].in_high) == (1, 9)
    assert (zone.velocity_crossfade.curve, zone.velocity_crossfade.in_high) == ("gain", 40)
    assert zone.amp_velcurve == ((64, 0.25),)
    assert reading.unknown_opcodes == ()
    assert zone.other_opcodes == ()


def test_unknown_opcodes_are_kept_and_listed() -> None:
    reading = parse_sfz("<region>sample=a.wav width=50 wobble=3 ampeg_relase=1")
    assert reading.unknown_opcodes == ("wobble", "ampeg_relase")
    assert dict(reading.regions[0].other_opcodes) == {
        "width": "50",
        "wobble": "3",
        "ampeg_relase": "1",
    }


def test_bad_values_are_reported_once_and_left_at_their_default() -> None:
    reading = parse_sfz(
        "<group>tune=loud lokey=200 trigger=soon\n<region>sample=a.wav <region>sample=b.wav"
    )
    assert kinds(reading) == ["bad-value", "value-out-of-range", "bad-value"]
    assert (reading.regions[1].tune_cents, reading.regions[1].lokey) == (0, 127)
    assert reading.regions[1].trigger == "attack"


def test_stray_text_odd_headers_and_empty_regions_are_reported() -> None:
    reading = parse_sfz("tune=3 hello <Region>sample=a.wav <thing>x=1 <region>key=3")
    assert kinds(reading) == [
        "opcode-before-header",
        "header-case",
        "unknown-header",
        "region-without-sample",
    ]
    assert len(reading.regions) == 1


def test_a_filter_without_cutoff_is_none_and_reported() -> None:
    reading = parse_sfz("<region>sample=a.wav fil_type=lpf_2p")
    assert reading.regions[0].filter is None
    assert kinds(reading) == ["filter-without-cutoff"]


@pytest.mark.parametrize(
    ("own", "from_sample"),
    [("", True), ("pitch_keycenter=60", False), ("pitch_keycenter=sample", True)],
)
def test_a_root_key_of_ones_own_overrides_that_of_the_sample(own: str, from_sample: bool) -> None:
    text = f"<global> pitch_keycenter=sample\n<region> sample=a.wav {own}"
    (region,) = parse_sfz(text).regions
    assert region.keycenter_from_sample == from_sample


def test_samples_are_found_in_any_case_and_with_backslashes(tmp_path: Path) -> None:
    main = pack(
        tmp_path, {"Samples/Pad C4.WAV": "", "main.sfz": "<region>sample=samples\\pad c4.wav"}
    )
    reading = read_sfz(main)
    assert reading.regions[0].sample_path == tmp_path / "Samples" / "Pad C4.WAV"
    assert kinds(reading) == ["backslash", "wrong-case"]
    assert reading.problems[1].actual == "Samples/Pad C4.WAV"


def test_includes_are_relative_to_the_main_file(tmp_path: Path) -> None:
    main = pack(
        tmp_path,
        {
            "main.sfz": '#include "parts/one.sfz"\n<region>sample=b.wav',
            "parts/one.sfz": '<group>tune=3\n#include "parts/two.sfz"',
            "parts/two.sfz": "<region>sample=a.wav",
            "a.wav": "",
            "b.wav": "",
        },
    )
    reading = read_sfz(main)
    assert [zone.sample for zone in reading.regions] == ["a.wav", "b.wav"]
    assert all(zone.sample_path and zone.tune_cents == 3 for zone in reading.regions)
    assert [path.name for path in reading.included] == ["one.sfz", "two.sfz"]
    assert [region.included for region in reading.regions] == ["parts/two.sfz", ""]


def test_include_loops_missing_ones_and_bombs_are_refused(tmp_path: Path) -> None:
    main = pack(
        tmp_path,
        {
            "main.sfz": '#include "main.sfz" #include "no.sfz" #include "d0.sfz"',
            **{f"d{i}.sfz": f'#include "d{i + 1}.sfz"\n' * 3 for i in range(30)},
        },
    )
    reading = read_sfz(main)
    assert kinds(reading)[:3] == ["include-loop", "include-missing", "include-limit"]
    assert len(reading.included) <= 512


def test_nothing_outside_the_pack_is_opened(tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    inside = tmp_path / "pack"
    pack(outside, {"a.wav": "", "more.sfz": "<region>sample=*sine"})
    main = pack(
        inside,
        {
            "main.sfz": '#include "../outside/more.sfz"\n<region>sample=../outside/a.wav\n'
            f"<region>sample={outside}/a.wav\n<region>sample=link.wav\n<region>sample=C:\\a.wav"
        },
    )
    (inside / "link.wav").symlink_to(outside / "a.wav")
    reading = read_sfz(main)
    assert [kind for kind in kinds(reading) if kind != "backslash"] == ["outside-pack"] * 5
    assert [zone.sample_path for zone in reading.regions] == [None] * 4
    wider = read_sfz(main, pack_folder=tmp_path)
    assert wider.regions[1].sample_path is not None


def test_missing_samples_are_reported(tmp_path: Path) -> None:
    reading = read_sfz(pack(tmp_path, {"main.sfz": "<region>sample=gone.wav"}))
    assert kinds(reading) == ["sample-missing"]
    assert reading.problems[0].subject == "gone.wav"


def test_files_that_are_not_text_are_refused_and_latin_1_is_read(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="not text"):
        read_sfz(pack(tmp_path, {"main.sfz": b"\0\1\2"}))
    with pytest.raises(InputError, match="no such file"):
        read_sfz(tmp_path / "none.sfz")
    reading = read_sfz(pack(tmp_path, {"main.sfz": b"<region>sample=t\xf6ne.wav"}))
    assert "encoding" in kinds(reading)
    assert reading.regions[0].sample == "töne.wav"


def test_hostile_text_takes_no_hostile_time(monkeypatch: pytest.MonkeyPatch) -> None:
    assert len(parse_sfz("<region>sample=a" + " " * 300_000).regions) == 1
    assert kinds(parse_sfz("x" * 300_000)) == ["stray-text"]
    monkeypatch.setattr(reader, "_MAX_OPCODES", 100_000)
    with pytest.raises(InputError, match="opcodes"):
        parse_sfz("<group>" + "pan=1 " * 1000 + "<region>sample=a.wav " * 101)


def test_tuning_of_the_levels_above_is_added():
    text = "<global> global_tune=-20 <group> group_tune=5 tune=3 <region> sample=a.wav"
    (region,) = parse_sfz(text).regions
    assert (region.tune_cents, region.level_tune_cents, region.own_tune_cents) == (-12, -15, 3)
