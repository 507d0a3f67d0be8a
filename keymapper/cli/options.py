"""Options that several commands have."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

Processes = Annotated[int | None, typer.Option(min=1, help="Processes.  [default: every core]")]
Force = Annotated[bool, typer.Option("--force", help="Replace an existing result.")]
ResultAsJson = Annotated[bool, typer.Option("--json", help="Print the result as JSON.")]
ErrorsOnly = Annotated[bool, typer.Option("--quiet", "-q", help="Print errors only.")]
VerdictOnly = Annotated[bool, typer.Option("--quiet", "-q", help="Print the verdict only.")]

Decisions = Annotated[
    Path | None, typer.Option(help="Your decisions.  [default: recipe.toml in FOLDER, if there]")
]
Reference = Annotated[
    float | None, typer.Option(help="Frequency of A4 in Hz.  [default: the recipe's, 440]")
]
CacheSize = Annotated[
    int, typer.Option(min=0, help="Largest size of the audit's cache in MB; 0 keeps nothing.")
]
CACHE_MB = 256
