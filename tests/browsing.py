"""A real Chromium for tests of the dashboard."""

from __future__ import annotations

import shutil
from contextlib import contextmanager

import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
QUIET = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]
PATIENCE_MS = 40_000

needs_chromium = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine"),
]


@contextmanager
def chromium():
    """A browser without windows."""
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=QUIET)
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def window(browser, **given):
    """A page of its own; on leaving it, the browser must not have complained of anything."""
    context = browser.new_context(**given)
    context.set_default_timeout(PATIENCE_MS)
    page = context.new_page()
    complaints = []
    page.on(
        "console", lambda m: complaints.append(m.text) if m.type in ("error", "warning") else None
    )
    page.on("pageerror", lambda e: complaints.append(str(e)))
    try:
        yield page
    finally:
        context.close()

    assert not complaints, complaints
