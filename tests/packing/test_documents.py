"""The booklet: complete, escaped, and without promises."""

import re
from dataclasses import replace

import pytest
from lxml import html

from keymapper.errors import InputError, UsageError
from keymapper.packing.booklet import booklet_text
from keymapper.packing.booklet_page import booklet_page
from keymapper.packing.documents import pack_materials
from keymapper.packing.map_picture import MapZone, map_picture
from tests.packing.conftest import pack_recipe

HOSTILE = "<script>alert(1)</script>\"'&\x1b[2J\u202e"
ZONE = MapZone(low_key=48, high_key=60, low_velocity=1, high_velocity=127)


@pytest.fixture
def manifest(made):
    return made[0].editions[0].manifest


def page(manifest, cover=None):
    zones = [(ZONE,)] * len(manifest.instruments)
    return booklet_page(manifest, zones, cover, ["previews/x"] * len(manifest.instruments))


def test_both_booklets_say_all_there_is_to_say(manifest):
    told = replace(manifest, credits=("Mira Holm: wind",), description="Fog.")
    for text in (booklet_text(told), html.fromstring(page(told)).text_content()):
        for word in (
            "Quiet Pier 1.0", "Zoë & <Sons>", "Lantern", "C4", "Velocity layers", "Round robins",
            "Controls", "Voices a note", "In memory", "CC0-1.0", "Mira Holm: wind", "Fog.",
            "Turn your volume down", "How to load them", "no legal advice", "no particular player",
            "full", "SHA256SUMS",
        ):  # fmt: skip
            assert word in text, word


def test_key_switches_are_told(manifest):
    first = manifest.instruments[0]
    assert "Key switches" not in booklet_text(manifest)
    facts = replace(first.facts, switches=("C1 soft", "C#1 loud"))
    told = replace(manifest, instruments=(replace(first, facts=facts),))
    for text in (booklet_text(told), html.fromstring(page(told)).text_content()):
        assert "C1 soft, C#1 loud" in text


def test_hostile_texts_stay_texts(manifest):
    first = replace(manifest.instruments[0], name=HOSTILE, description=HOSTILE, proof=HOSTILE)
    told = replace(
        manifest,
        title=HOSTILE, maker=HOSTILE, description=HOSTILE, credits=(HOSTILE,), contact=HOSTILE,
        instruments=(first, *manifest.instruments[1:]),
    )  # fmt: skip
    text = page(told, cover='x" onerror="alert(1)')
    assert "<script" not in text
    root = html.fromstring(text)
    assert not root.xpath("//script")
    assert not root.xpath("//@*[starts-with(name(), 'on')]")
    assert "\x1b" not in text
    assert "\x1b" not in booklet_text(told)


def test_the_page_asks_for_nothing_from_elsewhere(manifest):
    text = page(manifest, cover="cover.png")
    assert "default-src 'none'" in text
    root = html.fromstring(text)
    for place in root.xpath("//@src | //@href"):
        assert re.fullmatch(r"cover\.png|previews/x\.(flac|ogg)", place)


def test_every_instrument_has_a_picture(manifest):
    root = html.fromstring(page(manifest))
    assert len(root.xpath("//figure/svg")) == len(manifest.instruments)


def test_a_picture_shows_zones_and_keys():
    picture = map_picture("Lantern", [ZONE, MapZone(low_key=72, high_key=72, low_velocity=64,
                                                    high_velocity=127)])  # fmt: skip
    kinds = [one.get("class").split() for one in picture.iter("rect")]
    assert kinds.count(["zone"]) == 2
    assert sum("silent" in kind for kind in kinds) == 60 - 13 - 1
    assert map_picture("nothing", []).tag == "svg"


def test_a_cover_must_be_a_picture(tmp_path):
    (tmp_path / "c.png").write_bytes(b"\x89PNG\r\n\x1a\nrest")
    (tmp_path / "c.svg").write_bytes(b"<svg/>")
    assert pack_materials(pack_recipe(cover="c.png"), tmp_path).cover_name == "cover.png"
    with pytest.raises(UsageError, match="neither PNG nor JPEG"):
        pack_materials(pack_recipe(cover="c.svg"), tmp_path)
    with pytest.raises(InputError, match="gone"):
        pack_materials(pack_recipe(cover="gone.png"), tmp_path)


def test_a_midi_file_must_be_one(tmp_path):
    (tmp_path / "m.mid").write_bytes(b"no")
    recipe = pack_recipe(instrument=[{"folder": "x", "midi": "m.mid"}])
    with pytest.raises(InputError, match="not a Standard MIDI File"):
        pack_materials(recipe, tmp_path)


def test_a_licence_must_be_text(tmp_path):
    (tmp_path / "l.txt").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match="UTF-8"):
        pack_materials(pack_recipe(licence_file="l.txt"), tmp_path)
