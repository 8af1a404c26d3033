"""The live page in a real Chromium, before a real recorder on a real serial line."""

from __future__ import annotations

import contextlib
import os
import re
import signal
import time

import pytest

from tests.browsing import HOSTILE, Screen, needs_chromium, violations
from tests.live_bay import WHEELS, device, write_files
from tests.served import served_by
from tests.test_record import Recording, named

pytest.importorskip("playwright.sync_api")
pytestmark = [
    *needs_chromium,
    pytest.mark.timeout(300),  # recorder, dashboard and browser begin together
]
LEAST_TARGET_PX = 44
LOST_AFTER_S = 1.6
"""What is shown is never older: the page says that nothing comes, see assets/live.js."""
HARMLESS = ("Component live-", "SET_PROPS: Component live-", "WebSocket")
"""What the browser says of a page that was left, and of a server that stood still."""


@pytest.fixture(autouse=True)
def runtime(tmp_path, monkeypatch):
    """A runtime folder of the test's own, also for the programs that it starts."""
    folder = tmp_path / "runtime"
    folder.mkdir(mode=0o700)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(folder))


@contextlib.contextmanager
def recording(folder, into, name, **files):
    """A device and its recorder: (device, recording)."""
    with device() as sender:
        args = write_files(folder / name, sender.port, test_id=name, **files)
        recorder = Recording(*args, "-o", into)
        try:
            recorder.wait_for(named("recording"))
            yield sender, recorder
        finally:
            os.kill(recorder.process.pid, signal.SIGCONT)
            recorder.close()


class LiveScreen(Screen):
    """The page, with what a test waits for."""

    def phase(self, *wanted):
        """Waits until the page is in one of these phases."""
        self.page.wait_for_function(
            "wanted => wanted.includes(document.querySelector('#live')?.dataset.phase)",
            arg=list(wanted),
        )

    def state(self, place, *wanted):
        """Waits until a place is in one of these states."""
        self.page.wait_for_function(
            "([place, wanted]) => wanted.includes(document.getElementById(place)?.dataset.state)",
            arg=[place, list(wanted)],
        )

    def says(self, place, words):
        """Waits until a place says something."""
        self.page.wait_for_function(
            "([place, words]) => document.getElementById(place)?.textContent.includes(words)",
            arg=[place, words],
        )

    def press(self, name):
        """Presses a button by its words."""
        self.page.get_by_role("button", name=name).click()


def wheel(name):
    return f"live-wheel-{WHEELS.index(name)}"


def test_a_test_is_followed_from_nothing_to_the_sealed_run(browser, tmp_path):
    """Empty, live, alarm, acknowledged, noted, unknown, stalled, sealed: all pushed, one page."""
    runs = tmp_path / "runs"
    runs.mkdir()
    with served_by(runs) as (address, _):
        screen = LiveScreen(browser, address, viewport={"width": 390, "height": 844})
        page = screen.page
        page.goto(f"{address}/live")
        screen.phase("none")

        assert "slewtrace record" in screen.text("#live-body")

        with recording(tmp_path, runs, "live-1", truck=HOSTILE) as (bay, recorder):
            screen.phase("live")
            screen.state(wheel("rear_left"), "down")
            screen.says("live-slew-value", "10.0°")
            screen.says("live-load-value", "1\u202f400")
            screen.says("live-radius-value", "3.91")
            screen.says("live-next-words", "Slew on slowly")
            _clear_alarms(screen)
            _lift_and_acknowledge(screen, bay, recorder)
            _hear(screen)
            _note(screen, recorder)
            _lose_a_switch(screen, bay)
            _check_targets_and_names(screen)

            os.kill(recorder.process.pid, signal.SIGSTOP)
            screen.phase("still")

            assert screen.text("#live-slew-value") == "?"
            assert "NO DATA" in screen.text("#live-alarm")

            os.kill(recorder.process.pid, signal.SIGCONT)
            screen.phase("live")
            recorder.process.send_signal(signal.SIGINT)
            screen.phase("sealed")
            run = recorder.wait_for(named("sealed"))["path"]

            assert page.get_attribute(".when-sealed a", "href").startswith("/sectors?run=live-1-")
            assert "sealed" in screen.text("#live-alarm")
            assert run.endswith(".parquet")
        assert not [c for c in screen.complaints if not c.startswith(HARMLESS)]
        screen.close()


def _clear_alarms(screen):
    """A recorder that began before its device was heard may have told of silence."""
    screen.page.wait_for_function(
        "() => Number(document.querySelector('#live')?.dataset.shown) > 1.5e9"
    )
    if screen.page.query_selector("#live-acknowledge-button").is_visible():
        screen.press("Acknowledge")
    screen.state("live-alarm", "clear")


def _lift_and_acknowledge(screen, bay, recorder):
    bay.readings.open = {"rear_left"}
    screen.state("live-alarm", "confirmed")
    screen.state(wheel("rear_left"), "lifted")
    _silent_until_switched_on(screen)
    _read_from_afar(screen)
    screen.says("live-event-0", "rear left LIFTED at 10.0°")
    screen.says("live-next-words", "rear left is off the ground: stop slewing, set the load down")
    screen.says("live-plan", "LIFTED")
    screen.page.wait_for_function("() => document.title.startsWith('▲ ALARM')")

    assert screen.page.get_by_role("alert").first.inner_text().startswith("ALARM")

    bay.readings.open = set()
    screen.state("live-alarm", "waiting")
    screen.press("Acknowledge")
    screen.state("live-alarm", "clear")
    screen.says("live-answer", "acknowledged: wheel rear left confirmed")
    told = recorder.wait_for(named("note", kind="acknowledge", text="wheel/rear_left confirmed"))

    assert told["t_s"] > 0


def _silent_until_switched_on(screen):
    page = screen.page

    assert "Silent: sound is off" in screen.text("#live-alarm")

    page.click("#live-sound")
    screen.says("live-sound", "Sound is on: turn off")
    page.wait_for_selector("#live-silent", state="hidden")
    page.click("#live-sound")
    page.wait_for_selector("#live-silent", state="visible")


def _read_from_afar(screen):
    """A wheel's words are large, the lifted one's most, and none is cut."""
    for width, least_px in ((1280, 33), (820, 33), (390, 19)):
        screen.page.set_viewport_size({"width": width, "height": 844})
        down, lifted = (
            screen.page.locator(f"#{wheel(name)} strong").evaluate(
                "e => parseFloat(getComputedStyle(e).fontSize)"
            )
            for name in ("front_left", "rear_left")
        )
        cut = screen.page.locator(".live-wheel").evaluate_all(
            "tiles => tiles.filter(t => t.scrollWidth > t.clientWidth).length"
        )

        assert lifted > down >= least_px
        assert not cut


def _hear(screen):
    """The switch of the sound is seen without scrolling, and its choice is kept for the visit."""
    page = screen.page
    switch = page.locator("#live-sound")
    for width, height in ((1280, 860), (820, 1180), (390, 844)):
        page.set_viewport_size({"width": width, "height": height})
        box = switch.bounding_box()

        assert box["y"] + box["height"] <= height

    assert not page.is_visible("#live-silent"), "nothing is loud"

    for left in (lambda: page.click(".link[href='/plan']"), page.reload):
        switch.click()
        screen.says("live-sound", "Sound is on: turn off")
        left()
        if page.url.endswith("/plan"):
            page.wait_for_selector("#plan-page")
            page.click(".link[href='/live']")
        screen.phase("live")
        screen.state("live-alarm", "clear")
        if not page.evaluate("navigator.userActivation.hasBeenActive"):
            screen.says("live-sound", "Sound is off till you press here")
            page.click(".live-next")
        screen.says("live-sound", "Sound is on: turn off")
        switch.click()
        screen.says("live-sound", "Sound is off: turn on")


def _note(screen, recorder):
    page = screen.page
    page.fill("#live-radius-text", "twelve")
    screen.press("Note radius")
    screen.says("live-answer", "won't do")

    assert page.input_value("#live-radius-text") == "twelve"

    page.wait_for_timeout(800)  # a second press within this counts as the same
    page.fill("#live-radius-text", "3.49")
    pressed_s, began_s = _shown_s(screen), time.monotonic()
    page.press("#live-radius-text", "Enter")
    screen.says("live-answer", "noted: radius 3.49 m")
    note = recorder.wait_for(named("note", kind="radius"))
    took_s = time.monotonic() - began_s

    assert note["value_m"] == pytest.approx(3.49)
    assert pressed_s <= note["t_s"] <= pressed_s + took_s + LOST_AFTER_S
    assert page.input_value("#live-radius-text") == ""

    screen.press("Mark this moment")
    screen.says("live-answer", "marked")
    recorder.wait_for(named("note", kind="mark"))


def _shown_s(screen):
    return float(screen.page.get_attribute("#live", "data-shown")) * 1e-9


def _lose_a_switch(screen, bay):
    bay.readings.silent = {"rear_right"}
    screen.state("live-alarm", "unknown")
    screen.state(wheel("rear_right"), "unknown")
    screen.says(f"{wheel('rear_right')}-word", "UNKNOWN")
    screen.says("live-next-words", "sends nothing and may be up: stop, set the load down")
    bay.readings.silent = set()
    screen.state("live-alarm", "waiting")


def _check_targets_and_names(screen):
    """Targets for gloves, nothing wider than the screen, a hostile name as text."""
    sizes = screen.page.evaluate(
        "[...document.querySelectorAll('#live button, #live input')].filter(e => e.offsetHeight)"
        ".map(e => [e.textContent, e.offsetHeight, e.offsetWidth])"
    )
    small = [s for s in sizes if min(s[1:]) < LEAST_TARGET_PX]
    wide = screen.page.evaluate("document.documentElement.scrollWidth - window.innerWidth")

    assert len(sizes) >= 7
    assert not small
    assert wide <= 0
    assert "<img src=x" in screen.text(".live-details")
    assert not screen.page.query_selector("#live img")


def test_one_of_two_is_chosen_and_nothing_that_is_gone_looks_fresh(browser, tmp_path):
    """Own folder first; a server that stands still, and a killed recorder, are loud."""
    runs, elsewhere = tmp_path / "runs", tmp_path / "elsewhere"
    runs.mkdir()
    with (
        recording(tmp_path, elsewhere, "a-elsewhere"),
        recording(tmp_path, runs, "b-here") as (_, recorder),
        served_by(runs) as (address, server),
    ):
        screen = LiveScreen(browser, address, viewport={"width": 1280, "height": 860})
        screen.page.goto(f"{address}/live")
        screen.phase("choice")
        choices = screen.page.locator(".which-run").all_inner_texts()

        assert [re.match(r"[a-z]+-[a-z]+", c).group() for c in choices] == ["b-here", "a-elsewhere"]

        screen.page.locator(".which-run").first.click()
        screen.phase("live")
        screen.says("live-slew-value", "10.0°")
        os.kill(server.pid, signal.SIGSTOP)
        screen.phase("lost")

        assert screen.text("#live-slew-value") == "?"
        assert "NO CONNECTION" in screen.text("#live-alarm")
        assert violations(screen.page) == []
        assert {screen.text(f"#{wheel(w)}-word") for w in WHEELS} == {"UNKNOWN"}

        os.kill(server.pid, signal.SIGCONT)
        screen.phase("live")
        screen.says("live-slew-value", "10.0°")
        recorder.process.kill()
        screen.phase("gone")

        assert screen.text("#live-slew-value") == "?"
        assert violations(screen.page) == []
        assert {screen.text(f"#{wheel(w)}-word") for w in WHEELS} == {"UNKNOWN"}
        assert "slewtrace recover" in screen.text(".when-gone")
        assert "load (cell)" in screen.text(".live-details")

        screen.page.locator(".when-others").click()
        screen.phase("live")
        screen.says("live-body", "a-elsewhere")

        assert not [c for c in screen.complaints if not c.startswith(HARMLESS)]
        screen.close()
