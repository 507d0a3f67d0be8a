"""Turn recorded synth notes into a playable, in-tune, well-looped instrument.

::

    folder of notes ─▶ measurements ─▶ instrument ─▶ .sfz, samples/, manifest.json

>>> from keymapper import build_instrument
>>> result = build_instrument("my-notes", "my-instrument")       # doctest: +SKIP
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"
__all__ = [
    "BuildSettings",
    "Recipe",
    "__version__",
    "build_from_takes",
    "build_instrument",
    "measure_folder",
]

if TYPE_CHECKING:
    from keymapper.model.recipe import Recipe
    from keymapper.pipeline import (
        BuildSettings,
        build_from_takes,
        build_instrument,
        measure_folder,
    )


def __getattr__(name: str) -> Any:
    """Load on first use, so that `keymapper --help` does not wait for numerical libraries."""
    if name == "Recipe":
        from keymapper.model.recipe import Recipe

        return Recipe
    if name in __all__:
        from keymapper import pipeline

        return getattr(pipeline, name)
    raise AttributeError(f"module 'keymapper' has no attribute {name!r}")
