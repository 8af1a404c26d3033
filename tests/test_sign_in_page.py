"""Signing in with a browser: the page, what a witness sees of the dashboard, and the way out."""

from __future__ import annotations

import pytest

from tests.browsing import Window, needs_chromium, violations
from tests.opened import PASSWORDS, opened
from tests.sample_runs import seal_sample

pytestmark = needs_chromium
WRONG = "✖ That name and that password don't go together. Nobody is signed in."
HARMLESS = ("status of 401", "SET_PROPS: Component")
"""Said of a wrong password's answer, and of a page that was left while the server told it news."""


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A dashboard over TLS on one run."""
    folder = tmp_path_factory.mktemp("runs")
    seal_sample(folder, scenario="steady", rates={})
    with opened(folder) as made:
        yield made


def barriers(page):
    """What axe-core finds on a page that keeps people out, and whether it is too wide."""
    found = violations(page)
    wide = page.evaluate("document.documentElement.scrollWidth > window.innerWidth")
    return [*found, *(["too wide"] if wide else [])]


def test_a_witness_signs_in_looks_and_goes(browser, place):
    """By keyboard: refused, then in; out when the session ends; locked; and out for good."""
    window = Window(browser, viewport={"width": 390, "height": 844}, color_scheme="dark")
    page = window.page
    page.goto(f"https://127.0.0.1:{place.port}/live?run=")
    page.wait_for_function("document.activeElement.id === 'name'")
    page.keyboard.type("witness")
    page.keyboard.press("Tab")
    page.keyboard.type("not the password")
    page.keyboard.press("Enter")
    page.wait_for_selector("#problem")
    found = barriers(page)
    refused = page.inner_text("#problem"), page.input_value("#name"), page.input_value("#password")
    page.wait_for_function("document.activeElement.id === 'password'")
    page.keyboard.type(PASSWORDS["witness"])
    page.keyboard.press("Enter")
    page.wait_for_selector("#live:not([data-phase=waiting])")  # told over a WebSocket
    place.access.sessions._kept.clear()
    while "why=ended" not in page.url:  # a page that is pressed asks, though not each time
        page.dispatch_event("main", "click")
        page.wait_for_timeout(500)
    page.wait_for_selector(".news")
    ended, gone_on = page.inner_text(".news"), page.input_value("input[name=next]")
    page.fill("#name", "witness")
    page.fill("#password", PASSWORDS["witness"])
    page.click("button[type=submit]")
    page.click("#links >> text=Runs")
    page.wait_for_selector("#runs-cards .run-card")
    locked, role = page.is_disabled("#runs-add"), page.inner_text("#signed-in")
    found += barriers(page)
    page.click("#signed-in button")
    page.wait_for_selector(".news")
    out = page.inner_text(".news")
    page.go_back()
    page.wait_for_selector("#password")
    window.close()
    complaints = [c for c in window.complaints if not any(h in c for h in HARMLESS)]

    assert refused == (WRONG, "witness", "")
    assert "session has ended" in ended
    assert gone_on == "/live?run="
    assert locked
    assert "Witness" in role
    assert out == "You are signed out."
    assert not found
    assert not complaints
