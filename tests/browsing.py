"""A real Chromium for tests of the dashboard."""

from __future__ import annotations

import re
import shutil
from contextlib import contextmanager

import numpy as np
import pytest

CHROMIUM = next(
    filter(None, map(shutil.which, ("chromium-headless-shell", "chromium", "chromium-browser"))),
    None,
)
QUIET = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
    # Those of a test's own dashboard; a context's own switch does not reach WebSockets in workers.
    "--ignore-certificate-errors",
]
PATIENCE_MS = 40_000
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
"""WCAG 2.0 to 2.2, levels A and AA, by axe-core's own names."""
HOSTILE = f'"<img src=x onerror=alert(1)> \\u202Eright to left {"L" * 150}"'
"""A name as it stands in TOML."""
HARMLESS = "GET_PROPS_REQUEST: Component"
"""What is said of a page that was left while the server asked it something."""

needs_chromium = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine"),
]


@contextmanager
def chromium(profile):
    """A browser without windows.

    Args:
        profile: folder for what it keeps. As in a browser that people use, the program's scripts
            stay there compiled, which halves the time that a page takes to open.
    """
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch_persistent_context(
            profile, executable_path=CHROMIUM, args=QUIET
        )
        browser.set_default_timeout(PATIENCE_MS)
        try:
            yield browser
        finally:
            browser.close()


class Window:
    """A page of its own, which keeps what the browser complained of and what it asked for.

    What a page kept in the browser goes when it is closed, but for the scripts.

    Args:
        browser: the browser.
        viewport: width and height, px.
        color_scheme: what the system is said to prefer.
    """

    def __init__(self, browser, *, viewport=None, color_scheme="light"):
        self.page = browser.new_page()
        self.page.set_viewport_size(viewport or {"width": 1280, "height": 720})
        self.page.emulate_media(color_scheme=color_scheme)
        self.requests, self.complaints = [], []
        self.page.on("request", lambda r: self.requests.append(r.url))
        self.page.on("console", self._hear)
        self.page.on("pageerror", lambda e: self.complaints.append(str(e)))
        self.page.on(
            "dialog", lambda d: (self.complaints.append(f"dialog {d.message}"), d.dismiss())
        )

    def _hear(self, message):
        if message.type in ("error", "warning") and HARMLESS not in message.text:
            self.complaints.append(message.text)

    def close(self):
        """Closes the page and forgets what it kept."""
        if self.page.url.startswith("http"):
            self.page.evaluate("localStorage.clear(), sessionStorage.clear()")
        self.page.context.clear_cookies()
        self.page.close()


@contextmanager
def window(browser, **given):
    """A page of its own; on leaving it, the browser must not have complained of anything."""
    opened = Window(browser, **given)
    try:
        yield opened.page
    finally:
        opened.close()

    assert not opened.complaints, opened.complaints


class Screen(Window):
    """A window on a dashboard."""

    def __init__(self, browser, address, **given):
        super().__init__(browser, **given)
        self.address = address

    def open(self, path):
        """Opens a page of the dashboard and waits until its figures are drawn."""
        self.page.goto(self.address + path)
        if path.startswith("/replay"):
            self.page.wait_for_selector("#replay[data-run]")
        elif path.startswith("/sectors"):
            self.page.wait_for_selector("#sectors .main-svg")
        return self.page

    def text(self, selector):
        """The text of an element."""
        return self.page.inner_text(selector)

    def goes_to(self, t_s):
        """Waits until a moment of the run is drawn."""
        self.page.wait_for_function(
            "t => Math.abs(Number(document.querySelector('#replay').dataset.shown) - t) < 1e-3",
            arg=t_s,
        )

    def seek(self, t_s):
        """Types a time and waits until it is drawn."""
        field = self.page.locator("#go-to")
        field.fill(f"{t_s:.4f}")
        field.press("Enter")
        field.blur()
        self.goes_to(t_s)

    def shown_s(self):
        """The moment that is drawn, s."""
        return float(self.page.get_attribute("#replay", "data-shown"))


def violations(page, *, charts=True):
    """What axe-core finds on a page, a line for each: how grave, which rule, where first.

    Args:
        page: the page.
        charts: whether it looks at each stroke and word of the charts, half of all there is.
    """
    axe_core = pytest.importorskip("axe_playwright_python.sync_playwright")
    options = {"runOnly": RULES, "resultTypes": ["violations"]}
    where = None if charts else {"exclude": [[".main-svg"]]}
    found = axe_core.Axe().run(page, where, options).response["violations"]
    return [f"{v['impact']} {v['id']} {v['nodes'][0]['html'][:160]}" for v in found]


def reading(run, channel, t_s):
    """The last calibrated reading at a time."""
    block = run.calibrated(channel)
    return float(block.value[np.searchsorted(block.t_ns, round(t_s * 1e9), side="right") - 1])


def number(text):
    """The number in a readout."""
    return float(re.search(r"[-−]?[\d.]+", text).group().replace("−", "-"))
