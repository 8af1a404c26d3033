"""From the byte on the serial line to the changed page in Chromium.

Not part of the suite::

    python -m tests.campaigns.live_latency --events 120
    python -m tests.campaigns.live_latency --events 120 --rate 20

A device on a pseudo-terminal sends packs of slew, load, radius and four contacts at each rate. One
contact opens for 0.4 s, again and again. The time is taken just before the first pack with the
open contact is written, and in the page by a MutationObserver on that wheel's tile, at the
change of the element itself; a frame later, by requestAnimationFrame, the browser draws it
(``drawn``). The page's clock is ``performance.now()``, which on Linux counts CLOCK_MONOTONIC from
its own origin; the offset is measured before and after by asking for it a hundred times over
the debugging protocol, taking the asking that was answered quickest, so it is known to half of that
answer's time. ``clock_ms`` is that bound, and how far both offsets differ; both are in no figure.
Everything is in it: recorder, link, dashboard, WebSocket, Dash, the page's script. At 20 packs a
second the recorder itself looks at a contact as it comes, so no pack's interval is in the figures.

Pass line: p95 of 150 ms from byte to changed element.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from playwright.sync_api import sync_playwright

from tests.browsing import CHROMIUM, QUIET
from tests.live_bay import WHEELS, device, write_files
from tests.served import served_by

LINE_MS = 150
OPEN_S, CLOSED_S = 0.4, 0.5
WHEEL = "rear_left"

WATCH = """place => {
    const tile = document.getElementById(place);
    window.changes = [];
    new MutationObserver(() => {
        const change = { state: tile.dataset.state, now: performance.now(), drawn: null };
        window.changes.push(change);
        requestAnimationFrame(() => { change.drawn = performance.now(); });
    }).observe(tile, { attributes: true, attributeFilter: ["data-state"] });
}"""


class Script:
    """Opens the contact, pack by pack; begins when told.

    Attributes:
        go: set it to begin.
        opened_s: when each first open pack was written, s on the monotonic clock.
    """

    def __init__(self, rate_hz):
        self.go = False
        self._open, self._closed = round(OPEN_S * rate_hz), round(CLOSED_S * rate_hz)
        self.opened_s = []
        self._begun = None

    def __call__(self, number, readings):
        """Sets the contact for a pack."""
        if not self.go:
            return
        if self._begun is None:
            self._begun = number
        phase = (number - self._begun) % (self._open + self._closed)
        readings.open = {WHEEL} if phase >= self._closed else set()


def offset_ms(page):
    """(page's clock less the monotonic clock, half the time of the quickest answer), ms."""
    found = []
    for _ in range(100):
        before = time.monotonic()
        there = page.evaluate("() => performance.now()")
        after = time.monotonic()
        found.append(((after - before) / 2 * 1e3, there - (before + after) / 2 * 1e3))
    half, offset = min(found)
    return offset, half


def measure(folder, *, rate_hz, events):
    """Latencies of so many openings at a rate, ms: (changed, drawn, bound of the clocks)."""
    runs = folder / "runs"
    runs.mkdir(parents=True)
    script = Script(rate_hz)
    with (
        device(pack_every_s=1 / rate_hz, script=script, opened=script.opened_s.append) as bay,
        served_by(runs) as (address, _),
        sync_playwright() as playwright,
    ):
        args = write_files(folder, bay.port)
        line = [sys.executable, "-m", "dashboard", "record", "--json", *map(str, args)]
        recorder = subprocess.Popen([*line, "-o", str(runs)], stdout=subprocess.DEVNULL)
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=QUIET)
        try:
            page = browser.new_page(viewport={"width": 1280, "height": 860})
            page.set_default_timeout(90_000)
            page.goto(f"{address}/live")
            page.wait_for_function(
                "() => document.querySelector('#live')?.dataset.phase === 'live'"
            )
            page.wait_for_timeout(2000)
            page.evaluate(WATCH, f"live-wheel-{WHEELS.index(WHEEL)}")
            before = offset_ms(page)
            script.go = True
            while len(script.opened_s) < events + 1:
                page.wait_for_timeout(200)
            script.go = False
            bay.readings.open = set()
            page.wait_for_timeout(1500)
            after = offset_ms(page)
            changes = page.evaluate("() => window.changes")
        finally:
            browser.close()
            recorder.send_signal(signal.SIGINT)
            recorder.wait(60)
    return latencies(script.opened_s[:events], changes, before, after)


def latencies(opened_s, changes, before, after):
    """Each opening with the first change to open after it and before the next opening."""
    opening = [c for c in changes if c["state"] in ("opening", "lifted")]
    shown = np.array([c["now"] for c in opening])
    drawn = np.array([c["drawn"] or np.nan for c in opening])
    changed_ms, drawn_ms = [], []
    for number, opened in enumerate(opened_s):
        at = opened * 1e3 + before[0]
        until = opened_s[number + 1] * 1e3 + before[0] if number + 1 < len(opened_s) else np.inf
        later = np.flatnonzero((shown > at) & (shown < until))
        if later.size:
            changed_ms.append(shown[later[0]] - at)
            drawn_ms.append(drawn[later[0]] - at)
    bound = max(before[1], after[1]) + abs(after[0] - before[0])
    return changed_ms, drawn_ms, bound


def figures(rate_hz, asked, found):
    """The figures of one rate."""
    changed_ms, drawn_ms, bound = found
    return {
        "packs_a_second": rate_hz,
        "openings": asked,
        "not_shown": asked - len(changed_ms),
        **_quantiles("changed", changed_ms),
        **_quantiles("drawn", drawn_ms),
        "clock_ms": round(bound, 2),
    }


def _quantiles(name, values):
    shares = {"p50": 50, "p95": 95, "max": 100}
    return {
        f"{name}_{key}_ms": round(float(np.nanpercentile(values, share)), 1) if values else None
        for key, share in shares.items()
    }


def main() -> int:
    """Prints the figures as JSON; 1 where the pass line is missed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--events", type=int, default=120)
    parser.add_argument("--rate", type=int, action="append", help="packs a second")
    given = parser.parse_args()
    found = []
    with tempfile.TemporaryDirectory() as folder:
        runtime = Path(folder) / "runtime"
        runtime.mkdir(mode=0o700)
        os.environ["XDG_RUNTIME_DIR"] = str(runtime)
        for rate_hz in given.rate or [20, 50, 100]:
            here = Path(folder) / str(rate_hz)
            measured = measure(here, rate_hz=rate_hz, events=given.events)
            found.append(figures(rate_hz, given.events, measured))
    missed = [
        f["packs_a_second"]
        for f in found
        if f["not_shown"] or f["changed_p95_ms"] is None or f["changed_p95_ms"] > LINE_MS
    ]
    document = {"load_average": round(os.getloadavg()[0], 1), "rates": found, "line_ms": LINE_MS}
    sys.stdout.write(f"{json.dumps(document | {'missed_at': missed}, indent=2)}\n")
    return int(bool(missed))


if __name__ == "__main__":
    raise SystemExit(main())
