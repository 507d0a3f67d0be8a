"""A page of a small instrument, and a real browser to open it in; skipped where there is none."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from keymapper import BuildSettings, build_instrument
from keymapper.reporting.page import instrument_page
from tests.browser.listening import TAP
from tests.page_data import gathered_folder
from tests.simple_notes import write_note

ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
NOTES = {48: 130, 60: 130}
"""Lowest and highest recorded key of the test instrument, two octaves and two layers apart."""


@pytest.fixture(scope="session")
def browser():
    sync_api = pytest.importorskip(
        "playwright.sync_api", reason="playwright is not installed: pip install playwright"
    )
    path = os.environ.get("KEYMAPPER_CHROMIUM") or shutil.which("chromium")
    if path is None:
        pytest.skip("no chromium found: install it or name it in KEYMAPPER_CHROMIUM")
    with sync_api.sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=path, args=list(ARGUMENTS))
        yield started
        started.close()


@pytest.fixture(scope="session")
def lantern(tmp_path_factory) -> Path:
    """An instrument of two keys and two velocity layers, with its page beside it."""
    folder = tmp_path_factory.mktemp("lantern")
    for name, key, peak in (
        ("Lantern C3 v040.wav", 48, 0.1),
        ("Lantern C3 v110.wav", 48, 0.4),
        ("Lantern G4 v040.wav", 67, 0.1),
        ("Lantern G4 v110.wav", 67, 0.4),
    ):
        write_note(folder / "notes" / name, key, peak=peak)
    settings = BuildSettings(workers=1, prove=False, page=False)
    manifest = build_instrument(folder / "notes", folder / "out", settings=settings)
    data = gathered_folder(manifest, folder / "out")
    page = instrument_page(manifest, None, data)
    (folder / "out" / "report.html").write_text(page, encoding="utf-8")
    return folder / "out"


class Opened:
    """An open page, what it asked for and what it complained of."""

    def __init__(self, page) -> None:
        self.page = page
        self.requests: list[str] = []
        self.complaints: list[str] = []
        page.on("request", lambda request: self.requests.append(request.url))
        page.on("console", lambda message: self.complaints.append(message.text))
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("dialog", lambda dialog: self.complaints.append(dialog.message))


@pytest.fixture
def open_page(browser):
    """Return a function that opens a file or an address and gives it back as `Opened`."""
    contexts = []

    def opened(where: Path | str, **how) -> Opened:
        context = browser.new_context(**{"viewport": {"width": 1280, "height": 900}, **how})
        contexts.append(context)
        context.add_init_script(TAP)
        result = Opened(context.new_page())
        result.page.goto(where if isinstance(where, str) else where.as_uri())
        return result

    yield opened
    for context in contexts:
        context.close()


@pytest.fixture
def lantern_page(open_page, lantern):
    return open_page(lantern / "report.html")
