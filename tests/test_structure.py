"""The package keeps its shape: imports point down, pure stages stay pure."""

import ast
from pathlib import Path

import pytest

import keymapper
from tests.source_code import imported_modules

PACKAGE = Path(keymapper.__file__).parent
FILES = sorted(PACKAGE.rglob("*.py"))

LEVELS = {
    "errors": 0,
    "model": 1,
    "formats": 2,
    "planning": 3,
    "slicing": 3,
    "measuring": 3,
    "mapping": 3,
    "exporting": 4,
    "recording": 5,
    "cutting": 5,
    "workers": 1,
    "channels": 1,
    "wording": 0,
    "progress": 0,
    "proving": 5,
    "auditing": 5,
    "reporting": 6,
    "packing": 7,
    "pipeline": 8,
    "cli": 9,
}
PURE = ("planning", "slicing", "measuring", "mapping", "model", "channels")
FILES_AND_NETWORK = {"soundfile", "pathlib", "os", "io", "shutil", "tempfile", "socket", "urllib"}


def place(path: Path) -> str:
    part = path.relative_to(PACKAGE).parts[0]
    return part.removesuffix(".py")


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.relative_to(PACKAGE).as_posix())
def test_imports_point_down(path):
    here = place(path)
    if here in ("__init__", "__main__"):
        return
    for module in imported_modules(path):
        parts = module.split(".")
        if parts[0] != "keymapper" or len(parts) < 2 or parts[1] == here:
            continue
        assert LEVELS[parts[1]] < LEVELS[here], f"{here} imports {module}"


@pytest.mark.parametrize(
    "path", [p for p in FILES if place(p) in PURE], ids=lambda p: p.relative_to(PACKAGE).as_posix()
)
def test_pure_stages_touch_no_files(path):
    top = {module.split(".")[0] for module in imported_modules(path)}
    assert not top & FILES_AND_NETWORK


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.relative_to(PACKAGE).as_posix())
def test_only_the_command_line_prints_and_exits(path):
    if place(path) in ("cli", "__main__"):
        return
    called = {
        node.func.id
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    }
    assert not called & {"print", "exit", "quit"}
