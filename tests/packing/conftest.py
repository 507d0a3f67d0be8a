"""A small pack of two instruments, built and packed once."""

import pytest

from keymapper import BuildSettings, Recipe, build_instrument
from keymapper.formats.toml_tables import table_to
from keymapper.model.pack import PackRecipe
from keymapper.pipeline.packing import PackSettings, make_pack
from tests.simple_notes import write_note

NO_REACH = {"zones": {"reach_below": 0, "reach_above": 1}}


def build(folder, name, **recipe):
    table = {"name": name, **NO_REACH, **recipe}
    settings = BuildSettings(workers=1, prove=False, page=False)
    build_instrument(folder / "in" / name, folder / name, table_to(Recipe, table, "test"), settings)


@pytest.fixture(scope="session")
def shelf(tmp_path_factory):
    """A folder with two built instruments: `Lantern` sustains, `Knock` decays, as FLAC."""
    folder = tmp_path_factory.mktemp("shelf")
    write_note(folder / "in" / "Lantern" / "Lantern C4.wav", 60)
    write_note(folder / "in" / "Lantern" / "Lantern D4.wav", 62)
    write_note(folder / "in" / "Knock" / "Knock C3.wav", 48, decay_seconds=0.2)
    build(folder, "Lantern")
    build(folder, "Knock", samples={"format": "flac"})
    return folder


def pack_recipe(**changes):
    own = [{"what": "all recordings", "rights": "own"}]
    table = {
        "title": "Quiet Pier",
        "version": "1.0",
        "maker": "Zoë & <Sons>",
        "year": 2026,
        "released": "2026-11-25",
        "licence": "CC0-1.0",
        "instrument": [
            {"folder": "Lantern", "sources": own},
            {"folder": "Knock", "sources": own},
        ],
        "waiver": WAIVERS,
    }
    return table_to(PackRecipe, table | changes, "test")


WAIVED = ("level", "loop", "edge", "file", "map", "tuning", "sfz", "proof", "stereo", "sound")
WAIVERS = [{"rule": rule, "reason": "made for a test"} for rule in WAIVED]


@pytest.fixture(scope="session")
def made(shelf, tmp_path_factory):
    """The result of packing both in two editions, and the folder it went to."""
    target = tmp_path_factory.mktemp("made") / "pack"
    editions = [{"name": "full"}, {"name": "light", "bits": 16, "mono": True}]
    result = make_pack(pack_recipe(edition=editions), shelf, target, PackSettings(workers=1))
    assert result.editions, result.findings
    return result, target
