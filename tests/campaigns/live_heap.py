"""Eight hours of the live page, pushed as fast as the browser takes them: what its heap holds.

Not part of the suite::

    python -m tests.campaigns.live_heap --hours 8

The dashboard is the real one, with its own page, stream and script; before it sits a recorder that
is none: it registers a recording and serves the link (``viewer_link``) with states of a test
that sweeps, lifts and is acknowledged, with events as they come. Each pushed state changes
numerals, ages, wheels and the boom. A share of them goes the whole way, link, dashboard and
WebSocket, as fast as the page shows them; those states are kept, and in the page handed to Dash
again and again (``set_props``) until there were as many as the recorder makes in so many hours
(14.3 a second). The heap is what the browser's debugging protocol tells after garbage was
collected (``Performance.getMetrics``), with nodes and listeners. A heap that grows with the
count of updates shows between the quarters.

Pass line: under 300 MB at the end.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
from collections import deque
from pathlib import Path

from playwright.sync_api import sync_playwright

from logger.events.alarm import AlarmBook
from logger.events.load_phase import LoadState
from logger.events.wheel_lift import ContactEvent, ContactState
from logger.live.live_recordings import registered
from logger.live.rounds import HAND_OVER_EVERY_S
from logger.live.snapshot import Snapshot
from logger.live.viewer_link import ViewerLink
from tests.browsing import CHROMIUM, QUIET
from tests.live_bay import RIG, TEST, WHEELS
from tests.rig_of_a_bay import header
from tests.served import served_by

LINE_MB = 300
LIFT_EVERY = 430
QUARTERS = 4
WHOLE_WAY_SHARE = 0.01

KEEP = """() => {
    const there = window.dash_clientside.live, draw = there.draw;
    window.kept = [];
    there.draw = (state, asked) => {
        if (state && window.kept.length < 2000) window.kept.push(state);
        return draw(state, asked);
    };
    window.stopKeeping = () => { there.draw = draw; };
}"""
AGAIN = """async ([first, count]) => {
    const turn = new MessageChannel();
    const rest = () => new Promise((go) => {
        turn.port1.onmessage = go;
        turn.port2.postMessage(0);
    });
    for (let i = first; i < first + count; i += 1) {
        const state = Object.assign({}, window.kept[i % window.kept.length], { t_ns: 1e9 + i });
        window.dash_clientside.set_props("live-state", { data: state });
        await rest();
    }
}"""


class MadeTest:
    """States of a test that goes on and on."""

    def __init__(self, link):
        self._link = link
        self._book = AlarmBook()
        self._t_ns = 0

    def step(self, number):
        """Hands over the next state, with the events of its moment; its time, ns."""
        self._t_ns = t_ns = round(number * HAND_OVER_EVERY_S * 1e9) + 1
        phase = number % LIFT_EVERY
        slew_deg = (number * 0.05) % 170
        if phase == 200:
            self._contact(ContactState.SUSPECT, slew_deg)
        if phase == 201:
            self._contact(ContactState.CONFIRMED, slew_deg)
        if phase == 260:
            self._contact(ContactState.CLEARED, slew_deg)
        if phase == 280:
            self._tell({"event": "note", "kind": "acknowledge", "t_s": t_ns * 1e-9, "text": ""})
            for change in self._book.acknowledge(t_ns):
                self._tell(change.as_event())
        latest = {
            "slew": slew_deg,
            "load": 1360 + number % 7,
            "radius": 3.9 + number % 5 * 1e-3,
            **{f"wheel/{w}": 1.0 for w in WHEELS},
        }
        self._link.show(
            Snapshot(
                t_ns=t_ns,
                latest=latest,
                stale=frozenset(),
                load_state=LoadState.HANGING,
                alarms=self._book.standing(),
                rates_hz=dict.fromkeys(latest, 100.0),
                missing_packs={"mast": number // 5000},
                other_gaps=0,
                clock_u_s={"mast": 0.001},
                kept_samples=number * 49,
                waiting_s=0.0,
                room_left_s=1e6,
                latest_ns=dict.fromkeys(latest, t_ns - number % 50 * 10**6),
                load_hangs=True,
            )
        )
        return t_ns

    def _tell(self, event):
        self._link.offer(event)

    def _contact(self, state, slew_deg):
        contact = ContactEvent(
            wheel="rear_left",
            state=state,
            t_ns=self._t_ns,
            opened_ns=self._t_ns,
            last_closed_ns=None,
        )
        self._tell(
            {
                "event": "wheel_lift",
                "state": str(state),
                "wheel": "rear_left",
                "t_s": self._t_ns * 1e-9,
                "slew_deg": slew_deg,
                "load": "hanging",
            }
        )
        for change in self._book.contact(contact, load_hanging=True):
            self._tell(change.as_event())


class Heap:
    """What the debugging protocol tells of a page, garbage collected."""

    def __init__(self, page):
        self._session = page.context.new_cdp_session(page)
        self._session.send("Performance.enable")

    def now(self):
        """Heap used, MB; nodes; listeners."""
        for _ in range(3):
            self._session.send("HeapProfiler.collectGarbage")
        told = self._session.send("Performance.getMetrics")["metrics"]
        by_name = {m["name"]: m["value"] for m in told}
        return {
            "heap_mb": round(by_name["JSHeapUsedSize"] / 1e6, 2),
            "nodes": int(by_name["Nodes"]),
            "listeners": int(by_name["JSEventListeners"]),
        }


def measure(folder, *, updates):
    """Heap before, at each quarter, and how fast it went."""
    folder.mkdir(parents=True, exist_ok=True)
    test_toml = TEST.replace("TEST-ID", "heap").replace("TRUCK", '"Truck of the bay"')
    run = header(run_id="heap-1", rig_toml=RIG.replace("PORT", "none"), test_toml=test_toml)
    start_ns = time.monotonic_ns()
    link = ViewerLink(
        run,
        folder / "heap-1.journal",
        clock=lambda: time.monotonic_ns() - start_ns,
        notes=deque(),
        on_failure=sys.exit,
    )
    with (
        registered("heap-1", folder / "heap-1.journal", port=link.port, token=link.token),
        served_by(folder) as (address, _),
        sync_playwright() as playwright,
    ):
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=QUIET)
        page = browser.new_page(viewport={"width": 1280, "height": 860})
        page.set_default_timeout(90_000)
        page.goto(f"{address}/live")
        made = MadeTest(link)
        first = _come_alive(page, made)
        heap = Heap(page)
        begun_s, whole_way = time.monotonic(), round(updates * WHOLE_WAY_SHARE)
        page.evaluate(KEEP)
        at = _push(page, made, first, first + whole_way)
        page.evaluate("() => window.stopKeeping()")
        quarters = [heap.now()]
        for quarter in range(1, QUARTERS + 1):
            until = whole_way + (updates - whole_way) * quarter // QUARTERS
            while at < until:
                count = min(2000, until - at)
                page.evaluate(AGAIN, [at, count])
                at += count
            quarters.append(heap.now())
        took_s = time.monotonic() - begun_s
        browser.close()
    link.close()
    return {
        "updates": at,
        "the_whole_way": whole_way,
        "took_s": round(took_s, 1),
        "quarters": quarters,
    }


def _come_alive(page, made):
    """Goes on handing states over until the page shows one; how many there were."""
    for number in range(1000):
        made.step(number)
        page.wait_for_timeout(100)
        shown = page.evaluate("() => Number(document.querySelector('#live')?.dataset.shown || 0)")
        if shown > 1:
            return number + 1
    raise RuntimeError("the page shows nothing")


def _push(page, made, first, last):
    """Pushes states, a few ahead of what the page shows."""
    at = first
    while at < last:
        for _ in range(min(20, last - at)):
            newest = made.step(at)
            at += 1
            time.sleep(0.011)  # the dashboard passes on at most so many
        page.wait_for_function(
            "t => Number(document.querySelector('#live')?.dataset.shown) >= t", arg=newest
        )
    return at


def main() -> int:
    """Prints the figures as JSON; 1 where the pass line is missed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hours", type=float, default=8.0)
    given = parser.parse_args()
    updates = round(given.hours * 3600 / HAND_OVER_EVERY_S)
    with tempfile.TemporaryDirectory() as folder:
        runtime = Path(folder) / "runtime"
        runtime.mkdir(mode=0o700)
        os.environ["XDG_RUNTIME_DIR"] = str(runtime)
        found = measure(Path(folder) / "runs", updates=updates)
    found |= {"load_average": round(os.getloadavg()[0], 1), "line_mb": LINE_MB}
    sys.stdout.write(f"{json.dumps(found, indent=2)}\n")
    return int(found["quarters"][-1]["heap_mb"] > LINE_MB)


if __name__ == "__main__":
    raise SystemExit(main())
