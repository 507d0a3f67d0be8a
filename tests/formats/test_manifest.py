"""Manifests from elsewhere: of an earlier build, and such as no build writes."""

import json

import pytest

from keymapper import BuildSettings, build_instrument
from keymapper.errors import InputError
from keymapper.formats.manifest import read_manifest, write_manifest
from tests.simple_notes import write_note


@pytest.fixture(scope="module")
def text(tmp_path_factory):
    folder = tmp_path_factory.mktemp("build")
    write_note(folder / "in" / "C4.wav", 60)
    settings = BuildSettings(workers=1, prove=False, page=False)
    return write_manifest(build_instrument(folder / "in", folder / "out", None, settings))


def test_a_manifest_of_an_earlier_build_is_read(text):
    earlier = json.loads(text)
    for note in earlier["notes"]:
        del note["measurement"]["levels"]["flat_top_frames"]
        del note["source"]["session_seconds"]
    assert read_manifest(json.dumps(earlier), "m") == read_manifest(text, "m")


@pytest.mark.parametrize("number", [10**400, 1e308])
def test_a_number_that_no_build_writes_is_refused(text, number):
    changed = json.loads(text)
    changed["notes"][0]["source"]["session_seconds"] = number
    with pytest.raises(InputError, match="no number in one is so large"):
        read_manifest(json.dumps(changed), "m")
