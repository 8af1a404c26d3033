"""The fleet's page on a catalogue of ten thousand runs, in Chromium: from address to painted.

Not part of the suite::

    python -m tests.campaigns.fleet_page                  # 10,000 rows, five rounds
    python -m tests.campaigns.fleet_page --runs 100000

The catalogue's rows are drawn by ``tests/made_catalogue.py``, not analysed: what the page does is
the same wherever rows come from. No run lies in the folder, so comparing the folder with the
catalogue, which the page does after its figures, costs nothing here; it is measured apart, with
``--files`` empty files.

Each round has servers that have just started, and fresh windows:

* **first load**: a browser that has kept nothing; from asking for ``/fleet`` to counts, table and
  control chart painted: all that a window of 1280 by 900 shows, and more. The figures further down
  are drawn when they come near the window. *Of it a page without content*: the same for an address
  that shows a heading only, which is the start of Dash and its libraries.
* **again**: the same with a browser that has seen the dashboard before, and so keeps its scripts
  compiled, as all browsers of people who use it do. So for what follows.
* **by a link**: from following the header's link on the list of runs to the same.
* **a choice**: from a change of the field *Build* to the same, anew.
* **further down**: from scrolling to the end of the page to its three other figures painted.
* **server**: what the server takes for opening the catalogue, for the page's words and tables, and
  for all four figures, seconds of the processor.

Beside each time by clock stand the seconds of the processor that the server and the page's main
thread took for it, which a busy machine changes less: on a quiet one they come to about the time.
Prints medians and worst cases; 0 where the page by a link and a choice hold the limit of 1 s.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import tempfile
import time
from pathlib import Path

import numpy as np

from dashboard.catalogue.queries import open_catalogue
from dashboard.figures.units import SI
from dashboard.pages import fleet
from dashboard.pages.fleet_status import behind
from dashboard.pages.page import read_query
from dashboard.run_library import RunLibrary
from tests.browsing import Window, chromium
from tests.made_catalogue import fleet_rows, write_fleet
from tests.served import served

LIMIT_S = 1.0
CHART, BELOW = ("fleet-trend",), ("fleet-lifts", "fleet-percentages", "fleet-around")
_PAINTED = """
const graph = (key) => document.querySelector(`#${key}-frame .js-plotly-plot`);
const painted = () => new Promise((done) => requestAnimationFrame(() => {
    const channel = new MessageChannel();
    channel.port1.onmessage = done;
    channel.port2.postMessage(0);
}));
const drawn = (frames, known) => document.querySelector(".fleet-table") && frames.every((key) => {
    const at = graph(key);
    return at && at._fullLayout && at.querySelector(".main-svg") && at.data !== known[key];
});
const all = async (frames, known, start) => {
    while (!drawn(frames, known)) {
        if (performance.now() - start > 60000) throw new Error("not drawn");
        await painted();
    }
    await painted();
    return performance.now() - start;
};
"""
_FROM_ADDRESS = "async (frames) => {" + _PAINTED + "return all(frames, {}, 0); }"
_BY_LINK = (
    "async (frames) => {"
    + _PAINTED
    + """const start = performance.now();
    document.querySelector('#links a[href="/fleet"]').click();
    return all(frames, {}, start); }"""
)
_CHOOSE = (
    "async ([frames, build]) => {"
    + _PAINTED
    + """const known = Object.fromEntries(frames.map((key) => [key, graph(key).data]));
    const field = document.querySelector("#fleet-f-build"), start = performance.now();
    field.value = build;
    field.dispatchEvent(new Event("change", { bubbles: true }));
    return all(frames, known, start); }"""
)
_SCROLL = (
    "async (frames) => {"
    + _PAINTED
    + """const start = performance.now();
    window.scrollTo(0, document.documentElement.scrollHeight);
    return all(frames, {}, start); }"""
)
_HEADING = (
    "async () => {"
    + _PAINTED
    + """while (!document.querySelector("main h1")) await painted();
    await painted();
    return performance.now(); }"""
)


@contextlib.contextmanager
def page_of(profile):
    """A page of a browser that keeps what it keeps in a folder."""
    with chromium(profile) as browser:
        yield Window(browser, viewport={"width": 1280, "height": 900}).page


def descendants(pid):
    """A process and all that it started."""
    found = [pid]
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            if int(stat.read_text().rpartition(")")[2].split()[1]) == pid:
                found += descendants(int(stat.parent.name))
    return found


def processor_s():
    """Seconds of the processor that servers and the main threads of pages took so far."""
    total = 0.0
    for pid in descendants(os.getpid()):
        with contextlib.suppress(OSError):
            words = Path(f"/proc/{pid}/cmdline").read_text()
            page = Path(f"/proc/{pid}/task/{pid}/stat")
            stat = page if "--type=renderer" in words else Path(f"/proc/{pid}/stat")
            if "--type=renderer" in words or "tests.warm_process" in words:
                fields = stat.read_text().rpartition(")")[2].split()
                total += (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    return total


class Round:
    """Times of one round.

    Attributes:
        found: seconds by clock and of the processor, by name.
    """

    def __init__(self):
        self.found = {}

    def take(self, name, page, script, asked=None):
        """Has a page do something; keeps how long it took until all was painted."""
        before_s = processor_s()
        self.found[name] = page.evaluate(script, asked) / 1000
        self.found[f"{name}, processor"] = processor_s() - before_s


def measure(folder, new, known):
    """One round; seconds by name.

    Args:
        folder: the catalogue's.
        new: profile of a browser that has kept nothing.
        known: profile of one that has seen the dashboard before.
    """
    told = Round()
    with served(folder) as address, page_of(new / "empty") as page:
        page.goto(f"{address}/nowhere", wait_until="commit")
        told.take("of it a page without content", page, _HEADING)
        page.goto(f"{address}/nowhere", wait_until="commit")
        told.take("a page without content, again", page, _HEADING)
    with served(folder) as address, page_of(new / "fleet") as page:
        time.sleep(3.0)  # the server warms up, as it does before anybody has typed an address
        page.goto(f"{address}/fleet", wait_until="commit")
        told.take("first load", page, _FROM_ADDRESS, CHART)
    with served(folder) as address, page_of(known) as page:
        time.sleep(3.0)
        page.goto(f"{address}/fleet", wait_until="commit")
        told.take("again", page, _FROM_ADDRESS, CHART)
        page.goto(f"{address}/")
        page.wait_for_selector("#runs-add")
        page.wait_for_timeout(1500)
        told.take("by a link", page, _BY_LINK, CHART)
        page.wait_for_timeout(500)
        told.take("a choice", page, _CHOOSE, [CHART, "build 2"])
        told.take("further down", page, _SCROLL, BELOW)
    return told.found


def server_times(folder):
    """Seconds of the processor for the catalogue, for words and tables, and for figures."""
    library = RunLibrary(folder, analyse=lambda _: {})
    start = time.process_time()
    library.catalogue.now()
    opened = time.process_time()
    fleet.layout(library, None, read_query("", units=SI))
    laid_out = time.process_time()
    ask = {"words": {}, "units": "si"}
    fleet._figures(library, ask, {"scheme": "day", "narrow": False}, CHART + BELOW)
    drawn = time.process_time()
    library.close()
    return {
        "server: opening the catalogue": opened - start,
        "server: words and tables": laid_out - opened,
        "server: figures": drawn - laid_out,
    }


def comparing(folder, files):
    """Seconds for comparing the folder with its catalogue, with so many files in it."""
    for number in range(files):
        (folder / f"file-{number:06}.parquet").touch()
    catalogue = open_catalogue(folder)
    start = time.perf_counter()
    behind(folder, catalogue)
    return time.perf_counter() - start


def main() -> int:
    """Runs the campaign; 0 where the limits hold."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--runs", type=int, default=10_000)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--files", type=int, default=10_000)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as made, tempfile.TemporaryDirectory() as kept:
        folder, place = Path(made), Path(kept)
        write_fleet(folder, *fleet_rows(asked.runs))
        for number in range(3):  # then a browser keeps scripts compiled
            measure(folder, place / f"visit-{number}", place / "known")
        rounds = [
            measure(folder, place / f"new-{n}", place / "known") | server_times(folder)
            for n in range(asked.rounds)
        ]
        compared = comparing(folder, asked.files)
    found = {
        name: {
            "median": round(float(np.median([r[name] for r in rounds])), 3),
            "worst": round(max(r[name] for r in rounds), 3),
        }
        for name in rounds[0]
    }
    told = {"runs": asked.runs, "load_average": os.getloadavg()[0], "cores": os.cpu_count()}
    print(json.dumps(found | {"comparing with the folder": round(compared, 3)} | told, indent=2))
    held = max(found[name]["median"] for name in ("by a link", "a choice")) <= LIMIT_S
    return 0 if held else 1


if __name__ == "__main__":
    raise SystemExit(main())
