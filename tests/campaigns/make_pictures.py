"""Makes the README's pictures with the program itself.

Not part of the suite::

    python -m tests.campaigns.make_pictures
"""

from __future__ import annotations

import io
import re
import subprocess
import sys
import tempfile
from contextlib import chdir
from pathlib import Path
from urllib.parse import urlencode

import pypdfium2
from rich._export_format import CONSOLE_SVG_FORMAT
from rich.console import Console

from dashboard.capacity.planning.plan_document import plan_document
from dashboard.capacity.truck.truck_model import model_result
from dashboard.demo.synthetic_fleet import FleetPlan, write_fleet
from dashboard.figures.model_svg import model_svg
from dashboard.figures.plan_svg import plan_svg
from logger.events.alarm import AlarmBook
from logger.events.watch import RunWatch
from logger.events.wheel_lift import ContactEvent
from logger.live.panel import RecordPanel
from logger.live.snapshot import Snapshot
from logger.readings.rig_file import WHEEL
from logger.recording.run import open_run
from tests.browsing import Window, chromium
from tests.served import served

ROOT = Path(__file__).parents[2]
PICTURES = ROOT / "recordings" / "pictures"
RUN = ROOT / "recordings" / "lifts-both-sides.parquet"
SETTLE_MS = 6000
PATIENCE_MS = 120_000
DRAWN = {
    "runs": "h1",
    "plan": ".js-plotly-plot",
    "sectors": "#sectors .main-svg",
    "replay": "#replay[data-run]",
}


def pages(result_t_s):
    """Screenshots of the pages about recorded runs, the replay at a lift."""
    run_id = open_run(RUN).header.run_id
    views = (
        ("runs", "/", 620),
        ("plan", f"/plan?run={run_id}", 1000),
        ("sectors", f"/sectors?run={run_id}", 1040),
        ("replay", f"/replay?run={run_id}&t={result_t_s}", 860),
    )
    # Named as seen from the project, since the list shows the name of its folder.
    with (
        tempfile.TemporaryDirectory() as profile,
        served(RUN.parent.relative_to(ROOT)) as address,
        chromium(profile) as browser,
    ):
        page = Window(browser).page
        for name, path, height in views:
            page.set_viewport_size({"width": 1280, "height": height})
            page.goto(address + path)
            page.wait_for_selector(DRAWN[name], timeout=PATIENCE_MS)
            page.wait_for_timeout(SETTLE_MS)
            page.screenshot(path=PICTURES / f"{name}.png")


def live():
    """The live page at a wheel's alarm, while the demo is recorded."""
    with (
        tempfile.TemporaryDirectory() as folder,
        tempfile.TemporaryDirectory() as profile,
        served(Path(folder)) as address,
    ):
        demo = [sys.executable, "-m", "dashboard", "demo", "--no-open", "-o", folder]
        with (
            subprocess.Popen(demo, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as tested,
            chromium(profile) as browser,
        ):
            page = Window(browser, viewport={"width": 1180, "height": 820}).page
            page.goto(f"{address}/live")
            page.wait_for_selector("#live-alarm[data-state=confirmed]", timeout=PATIENCE_MS)
            page.screenshot(path=PICTURES / "live.png")
            tested.terminate()


def repeats():
    """An invented fleet, and repeat tests of one of its trucks side by side."""
    plan = FleetPlan(runs=60, seed=3, trucks=2, builds=2, kits=1)
    # Named as seen from within, since the page shows the name of its folder.
    with tempfile.TemporaryDirectory() as folder, chdir(folder):
        runs = Path("runs")
        list(write_fleet(runs, plan, processes=2))
        subprocess.run([sys.executable, "-m", "dashboard", "fleet", "runs"], check=True)
        headers = [
            open_run(path).header for path in sorted(runs.glob("truck-*/*.parquet"), reverse=True)
        ]
        truck = headers[0].test.truck
        same = [
            h.run_id
            for h in headers
            if (h.test.truck.id, h.test.truck.build) == (truck.id, truck.build)
        ]
        asked = {
            "fleet": (f"/fleet?{urlencode({'truck': truck.id})}", 1180),
            "compare": (f"/compare?{urlencode({'runs': ','.join(same[:4])})}", 1240),
        }
        with served(runs) as address, chromium(Path("profile").absolute()) as browser:
            page = Window(browser).page
            for name, (path, height) in asked.items():
                page.set_viewport_size({"width": 1280, "height": height})
                page.goto(address + path)
                page.wait_for_selector(".main-svg", timeout=PATIENCE_MS)
                page.wait_for_timeout(SETTLE_MS)
                page.screenshot(path=PICTURES / f"{name}.png")


def sheets():
    """The first page of the printed record, and the placard."""
    with tempfile.TemporaryDirectory() as folder:
        pdf = Path(folder) / "sheet.pdf"
        command = [sys.executable, "-m", "dashboard", "sheet", str(RUN), "-o", str(pdf)]
        subprocess.run(command, check=True)
        document = pypdfium2.PdfDocument(pdf)
        for name, index in (("record", 0), ("placard", len(document) - 1)):
            document[index].render(scale=1.1).to_pil().save(PICTURES / f"{name}.png")
        document.close()


def panel():
    """The recorder's panel as it stood at the first lift of the run; gives the lift's time, s."""
    run = open_run(RUN)
    lift = next(a for a in run.header.alarms if a["state"] == "confirmed")
    now_ns = round(lift["t_s"] * 1e9) + 200_000_000
    watch, drawn = (
        RunWatch(run.header.rig, run.header.test),
        RecordPanel(run.header.rig, run.header.test),
    )
    book = AlarmBook.of(run.header.rig, run.header.test)
    drawn.take({"event": "recording", "run_id": run.header.run_id, "path": "runs/…"})
    for channel in sorted(run.channels, key=lambda c: c.startswith(WHEEL)):
        for seen in watch.feed(run.raw(channel, None, now_ns)):
            if isinstance(seen, ContactEvent):
                book.contact(seen, load_hanging=watch.load_hangs)
    for alarm in run.header.alarms:
        if alarm["t_s"] * 1e9 <= now_ns:
            drawn.take(dict(alarm))
    now = Snapshot(
        t_ns=now_ns,
        latest=watch.latest,
        stale=watch.stale_channels,
        load_state=watch.load_state,
        alarms=book.standing(),
        rates_hz={c: len(run.raw(c, now_ns - 10**9, now_ns)) for c in run.channels},
        missing_packs={},
        other_gaps=0,
        clock_u_s={c.split("#")[0]: fit.u_s for c, fit in run.header.clock_fits.items()},
        kept_samples=sum(len(run.raw(c, None, now_ns)) for c in run.channels),
        waiting_s=0.0,
        room_left_s=None,
    )
    console = Console(record=True, width=110, file=io.StringIO())
    console.print(drawn.draw(now, columns=110))
    # Rich's picture asks a server for its font; any monospace on the reader's machine will do.
    form = re.sub(r"@font-face \{\{.*?\}\}", "", CONSOLE_SVG_FORMAT, flags=re.DOTALL)
    form = re.sub(r"<!--.*?-->", "", form).replace("Fira Code", "monospace")
    picture = console.export_svg(title="slewtrace record", code_format=form)
    (PICTURES / "panel.svg").write_text(picture)
    return lift["t_s"]


def drawings():
    """The plan's and the truck model's figures for the run's test file."""
    test = open_run(RUN).header.test
    plan = plan_document(test)
    (PICTURES / "plan.svg").write_text(plan_svg(plan))
    model = model_result(test, radius_m=plan["guarded_radius_m"], load_kg=plan["test_load_kg"])
    (PICTURES / "model.svg").write_text(model_svg(model, title=f"Truck model: {test.truck.id}"))


if __name__ == "__main__":
    drawings()
    sheets()
    repeats()
    live()
    pages(panel())
