"""JSON Schemas of everything we write, generated from the model.

``python -m keymapper.formats.schemas FOLDER`` writes them; a test holds the checked-in ones
against these.
"""

from __future__ import annotations

import inspect
import json
import sys
from pathlib import Path
from typing import Any

import msgspec

from keymapper.model.finding import AuditReport
from keymapper.model.instrument import Manifest
from keymapper.model.pack import PackManifest, PackRecipe
from keymapper.model.proof import Proof
from keymapper.model.recipe import Recipe
from keymapper.model.session import CutReport, SessionSheet

SCHEMA_DIALECT = "https://json-schema.org/draft/2020-12/schema"

MODELS: dict[str, tuple[str, Any]] = {
    "manifest": ("keymapper instrument manifest", Manifest),
    "proof": ("keymapper proof", Proof),
    "recipe": ("keymapper recipe", Recipe),
    "findings": ("keymapper findings", AuditReport),
    "session": ("keymapper session sheet", SessionSheet),
    "pack": ("keymapper pack manifest", PackManifest),
    "pack-recipe": ("keymapper pack recipe", PackRecipe),
    "notes": ("keymapper notes cut from takes", CutReport),
}
"""Schema name: title and type."""


def schema_text(name: str) -> str:
    """Return a schema of MODELS as indented JSON, ending in a line feed."""
    title, model = MODELS[name]
    described = _with_even_descriptions(msgspec.json.schema(model))
    schema = {"$schema": SCHEMA_DIALECT, "title": title, **described}
    return json.dumps(schema, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def _with_even_descriptions(schema: Any) -> Any:
    """Return a schema whose descriptions, docstrings all, have lost their indentation.

    Releases of msgspec before 0.23 leave it.
    """
    if isinstance(schema, list):
        return [_with_even_descriptions(part) for part in schema]
    if not isinstance(schema, dict):
        return schema
    return {
        key: inspect.cleandoc(value)
        if key == "description" and isinstance(value, str)
        else _with_even_descriptions(value)
        for key, value in schema.items()
    }


def write_schemas(folder: Path) -> None:
    """Write every schema as NAME.schema.json."""
    for name in MODELS:
        (folder / f"{name}.schema.json").write_text(schema_text(name), encoding="utf-8")


if __name__ == "__main__":
    write_schemas(Path(sys.argv[1]))
