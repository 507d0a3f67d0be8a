"""The page loads quietly, works from the keyboard, at any width, and shows hostile text as text."""

import os
from dataclasses import replace
from pathlib import Path

import pytest

from keymapper.formats.manifest import read_manifest
from keymapper.model.instrument import Doubt
from keymapper.reporting.page import FolderData, instrument_page
from tests.browser.listening import heard, level_db
from tests.page_data import gathered_folder

HOSTILE = "<img src=x onerror=alert(1)>.wav"
SCRIPT_END = "</script><script>alert(2)</script>"


def test_it_loads_without_complaints_or_requests(lantern_page):
    assert lantern_page.complaints == []
    assert [url.split("/")[-1] for url in lantern_page.requests] == ["report.html"]


def test_every_chart_has_data_and_a_label(lantern_page):
    charts = lantern_page.page.evaluate(
        """() => [...document.querySelectorAll('svg.chart')].map((chart) => ({
          label: chart.getAttribute('aria-label'),
          drawn: chart.querySelectorAll('.line, .area, .dot, .box').length,
          broken: chart.outerHTML.includes('NaN') || chart.outerHTML.includes('Infinity'),
        }))"""
    )
    assert len(charts) >= 3 + 4 * 4
    assert all(chart["label"] and chart["drawn"] and not chart["broken"] for chart in charts)


def test_a_zone_is_reached_and_played_from_the_keyboard(lantern_page):
    page = lantern_page.page
    page.locator("#measure-loop").focus()
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    assert "zone" in page.evaluate("document.activeElement.getAttribute('class')")
    first = page.evaluate("document.activeElement.dataset.zone")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowUp")
    second = page.evaluate("document.activeElement.dataset.zone")
    assert first != second
    page.keyboard.down("Enter")
    page.wait_for_timeout(600)
    assert level_db(heard(page)[0]) > -80
    page.keyboard.up("Enter")
    page.wait_for_timeout(1200)
    assert level_db(heard(page, 8192)[0]) < -100
    assert "v110" in page.locator("article.note:not([hidden]) h3").inner_text()


def test_the_computer_keyboard_plays_until_it_is_switched_off(lantern_page):
    page = lantern_page.page
    page.keyboard.down("KeyZ")
    page.wait_for_timeout(600)
    assert level_db(heard(page)[0]) > -80
    page.keyboard.up("KeyZ")
    assert page.locator("#sounding").inner_text().startswith("C")
    page.locator("#player summary").click()
    page.locator("#typing").uncheck()
    page.wait_for_timeout(1200)
    page.keyboard.down("KeyZ")
    page.wait_for_timeout(500)
    assert level_db(heard(page, 8192)[0]) < -100


def test_the_map_is_shaded_by_the_chosen_measure(lantern_page):
    page = lantern_page.page
    for measure in ("level", "transposition", "loop", "tuning"):
        page.locator(f"#measure-{measure}").check()
        shown = page.locator(".colour-key:visible")
        assert shown.count() == 1
        assert shown.get_attribute("data-measure") == measure
        box = page.locator(".zone .box").first
        assert box.get_attribute(f"data-{measure}") in box.get_attribute("class").split()


def test_a_link_opens_the_close_up_of_its_note(lantern_page):
    page = lantern_page.page
    page.locator("details.figures summary").first.click()
    page.locator("details.figures a[href='#note-3']").first.click()
    assert page.locator("#note-3").is_visible()
    assert page.locator("article.note:visible").count() == 1
    assert page.locator("#note-choice").input_value() == "3"


@pytest.mark.parametrize("width", [320, 400, 768, 1280])
def test_no_width_scrolls_the_page_sideways(open_page, lantern, width):
    page = open_page(lantern / "report.html", viewport={"width": width, "height": 800}).page
    assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("width", [320, 400, 1280])
def test_the_warning_about_loudness_can_be_read_at_any_width(open_page, lantern, width):
    page = open_page(lantern / "report.html", viewport={"width": width, "height": 800}).page
    text = page.locator("#sounding")
    assert "louder" in text.inner_text()
    cut_off = "text => text.scrollWidth > text.clientWidth"
    right = "text => text.getBoundingClientRect().right"
    assert not text.evaluate(cut_off)
    assert text.evaluate(right) <= width


def test_dark_and_light_follow_the_system(open_page, lantern):
    def paper(scheme):
        page = open_page(lantern / "report.html", color_scheme=scheme).page
        colour = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
        return sum(int(part) for part in colour[4:-1].split(","))

    assert paper("light") > 600
    assert paper("dark") < 150


def test_nothing_moves_for_those_who_ask_for_rest(open_page, lantern):
    page = open_page(lantern / "report.html", reduced_motion="reduce").page
    page.keyboard.down("KeyZ")
    page.wait_for_timeout(500)
    drawn = page.evaluate(
        """() => { const scope = document.getElementById('scope');
        const data = scope.getContext('2d').getImageData(0, 0, scope.width, scope.height).data;
        return data.some((value) => value > 0); }"""
    )
    assert not drawn
    assert page.evaluate("getComputedStyle(document.documentElement).scrollBehavior") == "auto"


def test_without_script_everything_is_there_to_read(open_page, lantern):
    page = open_page(lantern / "report.html", java_script_enabled=False).page
    assert page.locator("article.note").nth(3).is_visible()
    assert page.locator(".chart").first.is_visible()


def test_print_leaves_out_what_only_works_on_a_screen(lantern_page):
    page = lantern_page.page
    page.emulate_media(media="print")
    assert not page.locator("#player").is_visible()
    assert page.locator(".panel .chart").first.is_visible()


@pytest.fixture
def hostile_page(open_page, lantern, tmp_path):
    manifest = read_manifest((lantern / "manifest.json").read_text(), "manifest")
    note = manifest.notes[0]
    hostile = replace(
        manifest,
        name=SCRIPT_END,
        licence="<b onmouseover=alert(3)>\u202egnihtoN</b>\x00\x1b[2J",
        notes=(replace(note, source=replace(note.source, file=HOSTILE)), *manifest.notes[1:]),
        doubts=(Doubt(file=HOSTILE, about="name", message="javascript:alert(4) <svg onload=x>"),),
    )
    path = tmp_path / "report.html"
    path.write_text(instrument_page(hostile, None, gathered_folder(hostile, lantern)), "utf-8")
    return open_page(path)


def test_hostile_texts_are_shown_as_texts(hostile_page):
    page = hostile_page.page
    assert page.locator("h1").inner_text() == SCRIPT_END
    assert HOSTILE in page.locator("#attention").inner_text()
    assert page.locator("img").count() == 0
    assert page.locator("script").count() == 3
    assert "\u202e" not in page.content()
    page.locator(".zone").first.hover()
    assert hostile_page.complaints == []


def test_the_policy_lets_no_other_script_run(lantern_page):
    page = lantern_page.page
    page.evaluate(
        """() => { const script = document.createElement('script');
        script.textContent = 'window.injected = true'; document.body.append(script);
        const img = document.createElement('img'); img.src = 'x';
        img.setAttribute('onerror', 'window.injected = true'); document.body.append(img); }"""
    )
    page.wait_for_timeout(200)
    assert page.evaluate("window.injected === undefined")
    assert any("Content Security Policy" in text for text in lantern_page.complaints)


@pytest.fixture
def axe() -> str:
    path = os.environ.get("KEYMAPPER_AXE")
    if not path:
        pytest.skip("axe-core is not there: install it from npm, name axe.min.js in KEYMAPPER_AXE")
    return Path(path).read_text(encoding="utf-8")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [400, 1280])
def test_axe_finds_nothing(open_page, lantern, axe, scheme, width):
    page = open_page(
        lantern / "report.html", color_scheme=scheme, viewport={"width": width, "height": 900}
    ).page
    page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    page.evaluate(axe)
    found = page.evaluate("axe.run(document, { resultTypes: ['violations'] })")
    faults = [
        (one["id"], one["nodes"][0]["html"][:200], one["nodes"][0]["failureSummary"])
        for one in found["violations"]
    ]
    assert faults == []


def test_an_instrument_without_samples_still_has_a_page(open_page, lantern, tmp_path):
    manifest = read_manifest((lantern / "manifest.json").read_text(), "manifest")
    path = tmp_path / "report.html"
    path.write_text(instrument_page(manifest, None, FolderData()), encoding="utf-8")
    opened = open_page(path)
    opened.page.locator(".cell[data-key='48']").first.hover()
    opened.page.mouse.down()
    opened.page.wait_for_timeout(300)
    assert "missing" in opened.page.locator("#sounding").inner_text()
