"""How making and verifying packs runs."""

from __future__ import annotations

from dataclasses import dataclass

from keymapper.auditing.cache import FactsCache
from keymapper.progress import Progress, no_progress


@dataclass(frozen=True, slots=True, kw_only=True)
class PackSettings:
    """How making a pack runs; what it decides stands in the pack recipe."""

    workers: int | None = None
    replace: bool = False
    cache: FactsCache | None = None
    """Where the audit keeps measurements; None keeps none."""
    progress: Progress = no_progress
