"""Makes the README's pictures with the program itself.

Not part of the suite::

    python -m tests.campaigns.make_pictures
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path

from playwright.sync_api import sync_playwright
from rich._export_format import CONSOLE_SVG_FORMAT
from rich.console import Console

from logger.events.watch import RunWatch
from logger.live.panel import RecordPanel
from logger.recording.run import open_run
from tests.served import served

ROOT = Path(__file__).parents[2]
PICTURES = ROOT / "recordings" / "pictures"
RUN = ROOT / "recordings" / "lifts-both-sides.parquet"
SETTLE_MS = 6000
QUIET = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run"]


def pages(result_t_s):
    """Screenshots of the sectors and of the replay at a lift."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    run_id = open_run(RUN).header.run_id
    with served(RUN.parent) as address, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=QUIET)
        page = browser.new_page(viewport={"width": 1280, "height": 800}, color_scheme="light")
        for name, query in (("sectors", ""), ("replay", f"&t={result_t_s}")):
            page.goto(f"{address}/{name}?run={run_id}{query}")
            page.wait_for_selector(".js-plotly-plot")
            page.wait_for_timeout(SETTLE_MS)
            page.screenshot(path=PICTURES / f"{name}.png")
        browser.close()


def panel():
    """The recorder's panel as it stood at the first lift of the run; gives the lift's time, s."""
    run = open_run(RUN)
    lift = next(a for a in run.header.alarms if a["state"] == "confirmed")
    now_ns = round(lift["t_s"] * 1e9) + 200_000_000
    watch, drawn = RunWatch(run.header.rig, run.header.test), RecordPanel(run.header.test)
    drawn.take({"event": "recording", "run_id": run.header.run_id, "path": "runs/…"})
    for channel in run.channels:
        watch.feed(run.raw(channel, None, now_ns))
    for alarm in run.header.alarms:
        if alarm["t_s"] * 1e9 <= now_ns:
            drawn.take(dict(alarm))
    console = Console(record=True, width=96, file=(PICTURES / "panel.txt").open("w"))
    console.print(drawn.draw(watch, now_ns))
    console.file.close()
    (PICTURES / "panel.txt").unlink()
    # Rich's picture asks a server for its font; any monospace on the reader's machine will do.
    form = re.sub(r"@font-face \{\{.*?\}\}", "", CONSOLE_SVG_FORMAT, flags=re.DOTALL)
    form = re.sub(r"<!--.*?-->", "", form).replace("Fira Code", "monospace")
    picture = console.export_svg(title="slewtrace record", code_format=form)
    (PICTURES / "panel.svg").write_text(picture)
    return lift["t_s"]


if __name__ == "__main__":
    pages(panel())
