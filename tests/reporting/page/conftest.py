"""One small instrument with its proof, built once."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

from keymapper import BuildSettings, build_instrument
from keymapper.model.instrument import Manifest
from keymapper.model.proof import Proof
from keymapper.proving.proof_file import read_proof
from keymapper.reporting.page import FolderData
from tests.page_data import gathered_folder
from tests.simple_notes import write_note


@dataclass(frozen=True, kw_only=True, eq=False)
class Built:
    folder: Path
    manifest: Manifest
    proof: Proof
    data: FolderData


@pytest.fixture(scope="session")
def built(tmp_path_factory) -> Built:
    folder = tmp_path_factory.mktemp("beacon")
    for name, key, peak in (
        ("Beacon C3 v040.wav", 48, 0.1),
        ("Beacon C3 v110.wav", 48, 0.4),
        ("Beacon G3 v040.wav", 55, 0.1),
        ("Beacon G3 v110.wav", 55, 0.4),
    ):
        write_note(folder / "notes" / name, key, peak=peak)
    (folder / "notes" / "notes.wav").write_bytes(b"no sound at all")
    manifest = build_instrument(folder / "notes", folder / "out", settings=BuildSettings(workers=1))
    return Built(
        folder=folder / "out",
        manifest=manifest,
        proof=read_proof(folder / "out" / "proof.json"),
        data=gathered_folder(manifest, folder / "out"),
    )
