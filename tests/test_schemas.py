"""The checked-in schemas are those of the model, and what is written fits them."""

import json
from pathlib import Path

import jsonschema
import pytest

from keymapper import BuildSettings, build_instrument
from keymapper.formats.schemas import MODELS, schema_text
from tests.simple_notes import write_note

SCHEMAS = Path(__file__).parent.parent / "schemas"


@pytest.mark.parametrize("name", sorted(MODELS))
def test_checked_in_schemas_are_those_of_the_model(name):
    checked_in = (SCHEMAS / f"{name}.schema.json").read_text(encoding="utf-8")
    assert checked_in == schema_text(name), "run: python -m keymapper.formats.schemas schemas"


@pytest.mark.parametrize("name", sorted(MODELS))
def test_schemas_are_schemas(name):
    jsonschema.Draft202012Validator.check_schema(json.loads(schema_text(name)))


def test_a_written_manifest_fits_its_schema(tmp_path):
    write_note(tmp_path / "in" / "Lantern C3.wav", 48)
    build_instrument(
        tmp_path / "in",
        tmp_path / "out",
        settings=BuildSettings(workers=1, prove=False, page=False),
    )
    manifest = json.loads((tmp_path / "out" / "manifest.json").read_text(encoding="utf-8"))
    validator = jsonschema.Draft202012Validator(json.loads(schema_text("manifest")))
    validator.validate(manifest)
    assert not validator.is_valid(manifest | {"format_version": 2})
