"""Whole pages: what stands on them, how big they are, and that nothing escapes."""

import json
import re
from dataclasses import replace
from importlib.resources import files
from itertools import pairwise

import pytest

from keymapper.auditing.audit import AuditSettings, audit_path, audit_report
from keymapper.errors import OutputError
from keymapper.model.instrument import Doubt
from keymapper.reporting.page import (
    FolderData,
    instrument_page,
    proof_page,
    write_instrument_page,
    write_proof_page,
)
from keymapper.reporting.page.audit_page import write_audit_page
from tests.page_data import gathered_folder
from tests.reporting.page.pages import colours, contrast, data_of, parsed


@pytest.fixture(scope="module")
def page(built):
    return instrument_page(built.manifest, built.proof, built.data)


def headings(root) -> list[str]:
    return [heading.text_content() for heading in root.iter("h2")]


def test_the_parts_come_in_their_order(page):
    assert headings(parsed(page)) == [
        "What needs attention",
        "Map",
        "Tuning",
        "Levels",
        "One note, close up",
        "As played",
        "Where it came from",
        "Listen",
    ]


def test_headings_go_down_step_by_step(page):
    levels = [int(one.tag[1]) for one in parsed(page).iter("h1", "h2", "h3", "h4")]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


def test_every_chart_has_a_label_and_every_figure_of_charts_a_table(page):
    root = parsed(page)
    charts = root.find_class("chart")
    assert len(charts) > 4 * 4
    assert all(chart.get("aria-label") for chart in charts)
    sections = [s for s in root.iter("section") if s.find_class("chart")]
    assert all(section.findall(".//table") for section in sections)


def test_identifiers_are_unique(page):
    found = re.findall(r'\sid="([^"]*)"', page)
    assert len(found) == len(set(found))


def test_the_same_input_gives_the_same_page(built, page):
    again = gathered_folder(built.manifest, built.folder)
    assert instrument_page(built.manifest, built.proof, again) == page


def test_nothing_is_asked_of_the_network(page):
    root = parsed(page)
    addresses = [one.get(name) for one in root.iter() for name in ("src", "href") if one.get(name)]
    assert all(a.startswith(("#", "samples/")) for a in addresses)
    assert not root.findall(".//link")
    policy = root.find(".//meta[@http-equiv='Content-Security-Policy']").get("content")
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert not any(
        name.startswith("on") or name == "style" for e in root.iter() for name in e.attrib
    )


def test_the_policy_names_the_scripts_that_are_there(page):
    import base64
    import hashlib

    root = parsed(page)
    policy = root.find(".//meta[@http-equiv='Content-Security-Policy']").get("content")
    scripts = [one for one in root.iter("script") if one.get("type") is None]
    assert len(scripts) == 2
    for element in (root.find(".//style"), *scripts):
        digest = base64.b64encode(hashlib.sha256(element.text.encode()).digest()).decode()
        assert f"'sha256-{digest}'" in policy


def test_the_data_says_what_the_sfz_says(built, page):
    zones = json.loads(data_of(parsed(page)))["zones"]
    text = (built.folder / f"{built.manifest.name}.sfz").read_text()
    tunes = [int(cents) for cents in re.findall(r"^tune=(-?\d+)", text, re.MULTILINE)]
    assert [zone["cents"] for zone in zones] == tunes
    assert len(zones) == len(built.manifest.zones)


@pytest.mark.parametrize(
    "hostile",
    [
        "</script><script>alert(1)</script>",
        "<!--<script>",
        "<img src=x onerror=alert(1)>",
        "]]>&lt;&amp;'\"`",
        "javascript:alert(1)",
        "\u2028\u2029\u202e\x00\x07",
    ],
)
def test_hostile_texts_stay_texts(built, page, hostile):
    note = built.manifest.notes[0]
    manifest = replace(
        built.manifest,
        name=hostile,
        author=hostile,
        notes=(replace(note, source=replace(note.source, file=hostile)), *built.manifest.notes[1:]),
        doubts=(Doubt(file=hostile, about="name", message=f"{hostile}; {hostile}"),),
    )
    made = parsed(instrument_page(manifest, built.proof, built.data))
    kinds = [element.tag for element in parsed(page).iter() if isinstance(element.tag, str)]
    for kind in ("script", "img", "style"):
        assert sum(1 for _ in made.iter(kind)) == kinds.count(kind)
    assert json.loads(data_of(made))["notes"][0]["name"] == hostile


def test_doubts_and_skipped_files_come_with_something_to_do(page):
    items = parsed(page).find_class("attention")[0].findall("li")
    assert items
    assert all("To do: " in item.text_content() for item in items)
    assert any("notes.wav" in item.text_content() for item in items)


def test_a_page_of_a_hundred_zones_is_small(built):
    """Notes and zones again and again: every one with all its charts."""
    manifest, count = built.manifest, 100
    notes, zones, views = [], [], {}
    for n in range(count):
        note = manifest.notes[n % len(manifest.notes)]
        file = f"samples/again_{n:03d}.wav"
        notes.append(replace(note, sample=replace(note.sample, file=file)))
        zones.append(replace(manifest.zones[n % len(manifest.zones)], sample=file))
        views[file] = replace(built.data.views[note.sample.file], preview=None)
    big = replace(manifest, notes=tuple(notes), zones=tuple(zones))
    data = FolderData(views=views, total_bytes=1)
    assert len(instrument_page(big, built.proof, data).encode()) < 3_000_000


def test_text_can_be_read_in_both_schemes():
    style = files("keymapper.reporting.page").joinpath("page.css").read_text(encoding="utf-8")
    schemes = colours(style)
    assert len(schemes) == 2
    for scheme in schemes:
        for text in ("ink", "quiet", "sea", "good", "warning", "error"):
            for ground in ("paper", "sheet"):
                assert contrast(scheme[text], scheme[ground]) >= 4.5, (text, ground)
        for line in ("c0", "c1", "c2", "c3", "buoy", "wave", "focus"):
            assert contrast(scheme[line], scheme["sheet"]) >= 3.0, line


def test_an_instrument_of_one_shots_has_no_tuning_part(built):
    layers = tuple(replace(layer, layout="one-shots") for layer in built.manifest.layers)
    one_shots = replace(built.manifest, layers=layers)
    assert "Tuning" not in headings(parsed(instrument_page(one_shots, None, built.data)))


def test_levels_and_tuning_of_one_shots_are_held_against_no_course(built):
    zones = tuple(replace(zone, play_mode="one_shot", loop=None) for zone in built.manifest.zones)
    notes = tuple(replace(note, tuning_cents=None) for note in built.proof.notes)
    proof = replace(built.proof, notes=notes, level_steps=())
    page = instrument_page(replace(built.manifest, zones=zones), proof, built.data)
    tonal = instrument_page(built.manifest, built.proof, built.data)
    for words in ("should be smooth", "an ear stumbles over", "Tuning as played, beside"):
        assert words in tonal
        assert words not in page
    assert "softest to the loudest note" in page


def test_a_page_is_written_beside_and_written_again(built, tmp_path):
    path = write_instrument_page(tmp_path, built.manifest, built.proof)
    first = path.read_bytes()
    assert path == tmp_path / "report.html"
    write_instrument_page(tmp_path, built.manifest, built.proof)
    assert path.read_bytes() == first
    path.write_text("my own report")
    with pytest.raises(OutputError, match=r"report\.html.*is not replaced"):
        write_instrument_page(tmp_path, built.manifest, built.proof)
    assert path.read_text() == "my own report"


def test_a_proof_without_a_manifest_has_a_page_of_its_own(built, tmp_path):
    root = parsed(proof_page(built.proof))
    assert headings(root) == ["What needs attention", "As played", "Where it came from"]
    path = write_proof_page(tmp_path / "some.sfz", built.proof, tmp_path / "report.html")
    assert path.read_text(encoding="utf-8") == proof_page(built.proof)


def test_an_audit_has_a_page(built, tmp_path):
    audited = audit_path(built.folder, AuditSettings(workers=1))
    report = audit_report(audited, ())
    folder = tmp_path / "elsewhere"
    folder.mkdir()
    path = write_audit_page(report, audited, folder / "report.html")
    root = parsed(path.read_text(encoding="utf-8"))
    assert report.verdict in root.text_content()
    zones = json.loads(data_of(root))["zones"]
    assert len(zones) == len(built.manifest.zones)
    assert sorted(zone["loop"] for zone in zones) == sorted(
        [zone.loop.start_frame, zone.loop.end_frame] for zone in built.manifest.zones
    )
    source = root.find(".//audio").get("src")
    assert (folder / source).resolve().is_file()


def test_a_page_of_many_samples_says_what_it_leaves_out(built, tmp_path, monkeypatch):
    monkeypatch.setattr("keymapper.reporting.page.from_audit.MOST_NOTES", 3)
    audited = audit_path(built.folder, AuditSettings(workers=1))
    path = write_audit_page(audit_report(audited, ()), audited, tmp_path / "report.html")
    root = parsed(path.read_text(encoding="utf-8"))
    assert "3 of 4 samples" in root.find(".//header").text_content()
    assert len(root.find_class("note")) >= 3
    assert len(json.loads(data_of(root))["zones"]) == 3
