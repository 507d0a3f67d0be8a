"""What the source code of the package says of itself."""

import ast
from pathlib import Path


def imported_modules(path: Path) -> list[str]:
    """Return the modules that a file imports, wherever in it."""
    names = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        if isinstance(node, ast.ImportFrom) and node.module:
            names.append(node.module)
    return names
