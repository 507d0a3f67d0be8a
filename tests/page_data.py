"""What the page of a built instrument shows of its samples."""

from __future__ import annotations

from pathlib import Path

from keymapper.model.instrument import Manifest
from keymapper.reporting.page import FolderData
from keymapper.reporting.page.gathering import PREVIEW_BYTES, begin_gathering, samples_to_view


def gathered_folder(
    manifest: Manifest, folder: Path, *, preview_bytes: int = PREVIEW_BYTES
) -> FolderData:
    """Return it as a build does; `preview_bytes` is the room for embedded sound."""
    return begin_gathering(samples_to_view(manifest), folder, preview_bytes=preview_bytes)()
