"""The page sounds: the right zone at the right pitch, held through its loop, over when let go."""

import functools
import http.server
import json
import threading
from dataclasses import replace

import numpy as np
import pytest

from keymapper.auditing.audit import AuditSettings, audit_path, audit_report
from keymapper.formats.audio_file import read_audio
from keymapper.formats.manifest import read_manifest
from keymapper.model.instrument import AmplitudeEnvelope
from keymapper.reporting.page import instrument_page
from keymapper.reporting.page.audit_page import write_audit_page
from tests.browser.listening import cents, heard, key_hz, level_db, partial_hz
from tests.page_data import gathered_folder

SETTLED_MS = 700
"""Longer than the tap's memory is deep, so that it holds the sustained note alone."""


def press(page, key, velocity=100, hold_ms=SETTLED_MS):
    """Press the strip of single keys with the mouse, and keep it down."""
    page.evaluate(
        """(v) => { const s = document.getElementById('velocity'); s.value = v;
        s.dispatchEvent(new Event('input')); }""",
        velocity,
    )
    cell = page.locator(f'.cell[data-key="{key}"]').first
    cell.scroll_into_view_if_needed()
    cell.hover()
    page.mouse.down()
    page.wait_for_timeout(hold_ms)


@pytest.mark.parametrize("key", [48, 43, 55, 67, 74])
def test_a_key_sounds_at_its_pitch(lantern_page, key):
    page = lantern_page.page
    press(page, key)
    samples, rate = heard(page)
    page.mouse.up()
    assert level_db(samples) > -80
    assert abs(cents(partial_hz(samples, rate, key_hz(key)), key_hz(key))) < 5
    assert lantern_page.complaints == []


def test_the_note_is_held_through_its_loop_and_stops_on_release(lantern_page, lantern):
    page = lantern_page.page
    seconds = max(
        note.sample.frames / note.sample.processing.rate
        for note in read_manifest((lantern / "manifest.json").read_text(), "manifest").notes
    )
    press(page, 48, hold_ms=1000 * seconds + 800)
    held, rate = heard(page)
    page.mouse.up()
    page.wait_for_timeout(1200)
    after, _ = heard(page, 8192)
    assert abs(cents(partial_hz(held, rate, key_hz(48)), key_hz(48))) < 5
    quarters = [level_db(part) for part in np.split(held, 4)]
    assert max(quarters) - min(quarters) < 1
    assert level_db(after) < -100


def test_velocity_chooses_the_layer_and_the_level(lantern_page):
    page = lantern_page.page
    levels = []
    for velocity in (20, 127):
        press(page, 48, velocity)
        levels.append(level_db(heard(page)[0]))
        name = page.locator("#sounding").inner_text()
        assert ("v040" in name) == (velocity == 20)
        page.mouse.up()
        page.wait_for_timeout(900)
    assert levels[1] - levels[0] > 12


def test_the_level_is_that_of_the_file_turned_down_by_the_volume(lantern_page, lantern):
    """A zone at the velocity of its own recording, at the volume the page starts with."""
    page = lantern_page.page
    manifest = read_manifest((lantern / "manifest.json").read_text(), "manifest")
    zone = next(z for z in manifest.zones if z.root_key == 48 and z.high_velocity == 127)
    press(page, 48, 110)
    loud = level_db(heard(page)[0])
    page.mouse.up()
    audio = read_audio(lantern / zone.sample)
    frames = audio.samples[zone.loop.start_frame : zone.loop.end_frame]
    gain = next((p.gain_db for p in zone.velocity_gains if p.velocity == 110), None)
    assert gain is not None
    assert loud == pytest.approx(level_db(frames) + zone.gain_db + gain - 24, abs=0.5)


def test_the_join_comes_round_three_times(lantern_page):
    page = lantern_page.page
    page.locator("button.join:visible").click()
    levels = page.evaluate(
        """async () => {
        const levels = [], values = new Float32Array(2048);
        for (let n = 0; n < 130; n++) {
          await new Promise((done) => setTimeout(done, 50));
          window.tap.getFloatTimeDomainData(values.fill(0));
          levels.push(Math.sqrt(values.reduce((sum, v) => sum + v * v, 0) / 2048));
        }
        return levels; }"""
    )
    sounding = np.array(levels) > 1e-5
    assert np.count_nonzero(np.diff(sounding.astype(int)) == 1) == 3 - int(sounding[0])
    assert not sounding[-1]


def test_the_samples_beside_the_page_play_from_disk(lantern_page):
    page = lantern_page.page
    moved = page.evaluate(
        """async () => {
        const player = document.querySelector('article:not([hidden]) audio');
        await player.play();
        await new Promise((done) => setTimeout(done, 500));
        return [player.currentTime, player.volume, player.error]; }"""
    )
    assert moved[0] > 0.1
    assert moved[1] == pytest.approx(10 ** (-24 / 20), rel=1e-3)
    assert moved[2] is None


def test_without_previews_a_key_still_plays_the_sample_beside_the_page(open_page, lantern):
    manifest = read_manifest((lantern / "manifest.json").read_text(), "manifest")
    bare = instrument_page(manifest, None, gathered_folder(manifest, lantern, preview_bytes=0))
    (lantern / "bare.html").write_text(bare, encoding="utf-8")
    opened = open_page(lantern / "bare.html")
    opened.page.evaluate(
        """() => { window.played = []; const play = HTMLMediaElement.prototype.play;
        HTMLMediaElement.prototype.play = function () {
          window.played.push(this); return play.call(this); }; }"""
    )
    press(opened.page, 50, hold_ms=250)
    state = opened.page.evaluate(
        """() => window.played.map(
        (p) => [p.currentTime, p.playbackRate, p.preservesPitch, p.paused])"""
    )
    opened.page.mouse.up()
    assert len(state) == 1
    assert state[0][0] > 0
    assert state[0][1] == pytest.approx(2 ** (2 / 12), rel=1e-3)
    assert state[0][2:] == [False, False]
    assert opened.page.evaluate("() => window.played[0].paused")
    assert opened.complaints == []


def test_a_served_page_plays_the_samples_themselves(open_page, lantern):
    handler = functools.partial(QuietHandler, directory=str(lantern))
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        opened = open_page(f"http://127.0.0.1:{server.server_port}/report.html")
        press(opened.page, 67)
        samples, rate = heard(opened.page)
        opened.page.mouse.up()
        server.shutdown()
    fetched = [url for url in opened.requests if "/samples/" in url]
    assert len(fetched) == 1
    assert abs(cents(partial_hz(samples, rate, key_hz(67)), key_hz(67))) < 5


class QuietHandler(http.server.SimpleHTTPRequestHandler):
    def log_message(self, *_):
        pass


def test_a_chosen_folder_gives_the_samples_in_full(open_page, lantern):
    opened = open_page(lantern / "report.html")
    page = opened.page
    page.locator("#player summary").click()
    page.locator("#folder").set_input_files(str(lantern))
    page.wait_for_function("document.getElementById('sounding').textContent.startsWith('4 of 4')")
    press(page, 48)
    samples, rate = heard(page)
    page.mouse.up()
    assert abs(cents(partial_hz(samples, rate, key_hz(48)), key_hz(48))) < 5
    assert opened.complaints == []


def test_the_page_of_an_audit_plays_what_was_audited(open_page, lantern, tmp_path):
    audited = audit_path(lantern, AuditSettings(workers=1))
    path = write_audit_page(audit_report(audited, ()), audited, tmp_path / "report.html")
    opened = open_page(path)
    press(opened.page, 67)
    samples, rate = heard(opened.page)
    opened.page.mouse.up()
    assert abs(cents(partial_hz(samples, rate, key_hz(67)), key_hz(67))) < 5
    length = opened.page.evaluate(
        """async () => { const player = document.querySelector('audio'); await player.play();
        return player.duration; }"""
    )
    assert length > 0.3
    assert opened.complaints == []


@pytest.fixture
def varied_page(open_page, lantern, tmp_path):
    """Open the page of the test instrument with its zones changed."""

    def opened(**changes):
        manifest = read_manifest((lantern / "manifest.json").read_text(), "manifest")
        zones = tuple(replace(zone, **changes) for zone in manifest.zones)
        varied = replace(manifest, zones=zones)
        path = tmp_path / "report.html"
        path.write_text(instrument_page(varied, None, gathered_folder(varied, lantern)), "utf-8")
        return open_page(path).page

    return opened


def test_round_robins_take_turns_and_their_lanes_play_alone(open_page, lantern, tmp_path):
    manifest = read_manifest((lantern / "manifest.json").read_text(), "manifest")
    turns = {"v040": 1, "v110": 2}
    sources = {note.sample.file: note.source.file for note in manifest.notes}
    zones = tuple(
        replace(
            zone,
            low_velocity=1,
            high_velocity=127,
            round_robin=next(n for mark, n in turns.items() if mark in sources[zone.sample]),
            round_robins=2,
        )
        for zone in manifest.zones
    )
    path = tmp_path / "report.html"
    varied = replace(manifest, zones=zones)
    path.write_text(instrument_page(varied, None, gathered_folder(varied, lantern)), "utf-8")
    page = open_page(path).page
    said = []
    for _ in range(4):
        press(page, 48, hold_ms=60)
        said.append(page.locator("#sounding").inner_text()[-8:-4])
        page.mouse.up()
    assert said == ["v040", "v110", "v040", "v110"]
    second = page.locator(".zone[aria-label*='turn 2']").first
    for _ in range(2):
        second.click(delay=50)
        assert "v110" in page.locator("#sounding").inner_text()


def test_one_shots_play_on_and_cut_each_other_off(varied_page):
    page = varied_page(play_mode="one_shot", choke_group=1)
    press(page, 48, hold_ms=60)
    page.mouse.up()
    page.wait_for_timeout(250)
    alone, rate = heard(page, 8192)
    assert abs(cents(partial_hz(alone, rate, key_hz(48)), key_hz(48))) < 20
    press(page, 67, hold_ms=400)
    page.mouse.up()
    both, _ = heard(page, 8192)
    assert power_near(both, rate, key_hz(67)) > 1000 * power_near(both, rate, key_hz(48))


def power_near(samples, rate, frequency_hz):
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples)))) ** 2
    middle = round(frequency_hz * len(samples) / rate)
    return spectrum[middle - 3 : middle + 4].sum()


def test_panning_keeps_the_power_of_both_sides(varied_page):
    levels = []
    for pan in (0.0, -100.0):
        page = varied_page(pan_percent=pan)
        press(page, 48)
        levels.append(level_db(heard(page)[0]))
        page.mouse.up()
    assert levels[0] - levels[1] == pytest.approx(20 * np.log10(2**0.5), abs=0.3)


def test_a_decay_taken_out_of_the_loop_is_put_back(varied_page):
    page = varied_page(envelope=AmplitudeEnvelope(hold_seconds=0.2, decay_db_per_second=12.0))
    press(page, 48, hold_ms=1500)
    first, second = np.split(heard(page, 32768)[0], 2)
    page.mouse.up()
    seconds = 16384 / page.evaluate("window.tap.context.sampleRate")
    assert level_db(first) - level_db(second) == pytest.approx(12.0 * seconds, abs=0.5)


def test_the_data_in_the_page_is_what_was_written(lantern_page, lantern):
    data = json.loads(lantern_page.page.locator("#sound").text_content())
    manifest = read_manifest((lantern / "manifest.json").read_text(), "manifest")
    assert [zone["loop"] for zone in data["zones"]] == [
        [zone.loop.start_frame, zone.loop.end_frame] for zone in manifest.zones
    ]
