"""The booklet of a pack on narrow screens."""

from __future__ import annotations

import pytest

from keymapper.formats.sfz import read_sfz
from keymapper.model.pack import PackedInstrument, PackManifest, PreviewFacts
from keymapper.packing.booklet_page import booklet_page
from keymapper.packing.facts import instrument_facts, sample_infos
from keymapper.packing.map_picture import map_zones
from keymapper.proving.proof import sfz_file

PREVIEW = PreviewFacts(
    kind="chords",
    seconds=8.0,
    loudness_lufs=-17.5,
    true_peak_dbtp=-10.5,
    brightness_hz=1308.0,
    width_percent=46.0,
)


@pytest.fixture
def booklet(lantern, tmp_path):
    """Long words in every place that a maker fills."""
    reading = read_sfz(sfz_file(lantern))
    packed = PackedInstrument(
        name="Lantern-of-the-Harbour-Master",
        sfz="instruments/Lantern/Lantern.sfz",
        has_manifest=False,
        description="",
        facts=instrument_facts(reading, sample_infos(reading)),
        preview=PREVIEW,
        gain_db=-10.5,
        sources=(),
        proof="16 notes played: everything lies within the limits.",
        waived=(),
    )
    manifest = PackManifest(
        tool_version="1",
        title="Harbourmastersnightwatchlanterns",
        version="1.0",
        edition="full",
        maker="Harbourmastersnightwatchlanternmaker",
        year=2026,
        released="",
        contact="https://example.org/harbourmastersnightwatchlanterns",
        licence="CC0-1.0",
        description="",
        credits=(),
        rights_note="",
        instruments=(packed, packed),
        history=(),
        renamed=(),
        files=(),
    )
    zones = map_zones(reading.regions)
    path = tmp_path / "booklet.html"
    path.write_text(booklet_page(manifest, [zones, zones], None, [None, None]), "utf-8")
    return path


@pytest.mark.parametrize("width", [320, 400, 800])
def test_no_width_scrolls_the_booklet_sideways(open_page, booklet, width):
    opened = open_page(booklet, viewport={"width": width, "height": 800})
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= width


def test_the_table_that_is_too_wide_scrolls_by_itself_and_can_be_reached(open_page, booklet):
    page = open_page(booklet, viewport={"width": 320, "height": 800}).page
    box = page.locator(".scroll")
    assert box.evaluate("box => box.scrollWidth > box.clientWidth")
    assert box.get_attribute("tabindex") == "0"
