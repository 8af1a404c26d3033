"""The guide for contributors does what it says: its example is run as it stands on the page."""

from __future__ import annotations

import importlib
import os
import re
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest

from dashboard.capacity import findings
from dashboard.results import analyse
from logger.live.check.channel_check import judge_channel
from logger.live.check.listening import Heard, SourceTally
from logger.live.record import record, run_clock
from logger.readings import channel_kinds, source_keys
from logger.readings.block import Block
from logger.readings.rig_file import read_rig
from logger.readings.test_file import read_test
from logger.recording.header import RunHeader
from logger.recording.run import open_run
from logger.recording.sealed import write_sealed
from logger.sources import wire_formats
from tests.made_run import RIG_TOML, TEST_TOML, MadeRun, full_sweep, quiet_toml
from tests.rig_of_a_bay import RIG, TEST
from tests.terminal import Terminal

ROOT = Path(__file__).parent.parent
PAGE = (ROOT / "DEVELOPERS.md").read_text("utf-8")
GUIDE = PAGE[PAGE.index("### Example: the angle of a jib") : PAGE.index("### Other things")]
BLOCKS = re.findall(r"```(\w+)\n(.*?)```", GUIDE, re.DOTALL)
MODULES = {
    text.split("\n", 1)[0].removeprefix("# "): text.split("\n", 1)[1]
    for kind, text in BLOCKS
    if kind == "python" and text.startswith(("# logger/", "# dashboard/"))
}
LINES = {
    match[1]: match[2]
    for kind, text in BLOCKS
    if kind == "python"
    and (match := re.match(r"# a line of (\w+) in [^\n]*\n(.*)", text, re.DOTALL))
}
(RIG_TABLES,) = (text for kind, text in BLOCKS if kind == "toml")


@pytest.fixture
def added(tmp_path, monkeypatch):
    """The example's files and lines, where the page puts them, for one test."""
    for path, text in MODULES.items():
        file = tmp_path / path
        file.parent.mkdir(parents=True)
        file.write_text(text, "utf-8")
    for package in (wire_formats, findings):
        there = tmp_path / Path(*package.__name__.split("."))
        monkeypatch.setattr(package, "__path__", [*package.__path__, str(there)])
    for table, module in (
        (source_keys.WIRE_FORMATS, source_keys),
        (channel_kinds.CHANNEL_KINDS, channel_kinds),
    ):
        name = next(n for n, value in vars(module).items() if value is table)
        lines = eval(f"{{{LINES[name]}}}", vars(module))  # noqa: S307 - our own page
        for key, value in lines.items():
            monkeypatch.setitem(table, key, value)
    jib = importlib.import_module("dashboard.capacity.findings.jib")
    rules = eval(f"({LINES['RULES']})", vars(jib))  # noqa: S307 - our own page
    monkeypatch.setattr(findings, "RULES", (*findings.RULES, *rules))
    yield
    for name in ("logger.sources.wire_formats.tenths", "dashboard.capacity.findings.jib"):
        sys.modules.pop(name, None)
        package, _, module = name.rpartition(".")
        vars(sys.modules[package]).pop(module, None)


def test_the_page_has_what_the_example_needs():
    """Two files, three lines, a rig file; and the files are as tidy as the rest."""
    assert list(MODULES) == [
        "logger/sources/wire_formats/tenths.py",
        "dashboard/capacity/findings/jib.py",
    ]
    assert set(LINES) == {"WIRE_FORMATS", "CHANNEL_KINDS", "RULES"}
    for path, text in MODULES.items():
        command = [sys.executable, "-m", "ruff"]
        for words in (["check"], ["format", "--check"]):
            done = subprocess.run(
                [*command, *words, "--stdin-filename", path, "-"],
                input=text,
                capture_output=True,
                text=True,
                cwd=ROOT,
                check=False,
            )
            assert done.returncode == 0, done.stdout + done.stderr


def test_the_examples_instrument_is_recorded_and_checked(added, tmp_path):
    """Through a pseudo-terminal and the whole recorder: good lines in, a bad one told."""
    terminal = Terminal(tmp_path / "jib")
    rig_toml = (
        RIG.replace("/dev/ttyUSB0", str(terminal.link)).replace(
            'port = "', 'decode = "tenths"\nport = "', 1
        )
        + RIG_TABLES.replace('source = "jib"', 'source = "mast"').split("\n\n", 1)[1]
    )
    stop = threading.Event()

    def happened(event):
        if event["event"] == "recording":
            os.write(terminal.master, b"0453\nJ+0453\nJ-0021\nJ+45.3\nK+0001\n")
        if event["event"] == "gap":
            threading.Timer(0.3, stop.set).start()

    late = threading.Timer(20, stop.set)
    late.start()
    path = record(
        read_rig(rig_toml),
        read_test(TEST),
        rig_toml,
        TEST,
        tmp_path / "runs",
        clock=run_clock(),
        stop=stop,
        on_event=happened,
    )
    late.cancel()
    terminal.close()
    run = open_run(path)
    (gap,) = run.gaps
    wired = run.header.rig.wired("jib_angle")

    assert run.calibrated("jib_angle").value.tolist() == [45.3, -2.1]
    assert (gap.kind, gap.text) == ("bad_frames", "no letter, sign and four digits: b'J+45.3'")
    judged = judge_channel(
        wired,
        Heard(t_ns=np.arange(50) * 10**8, raw=np.full(50, 400.0)),
        window_ns=(0, 5 * 10**9),
        tallies={"mast": SourceTally(id="mast", packs=50)},
    )
    assert "value_out_of_range" in {f.code for f in judged.findings}


def test_the_examples_rule_judges_a_run(added, tmp_path):
    """A jib that moves with the load hanging is a caution of the result; one at rest is none."""
    found = []
    for number, moved_deg in enumerate((0.5, 6.0)):
        made = full_sweep(MadeRun(), 1, limit=171.6)
        made.quiet = {"jib_angle": lambda t_s, by=moved_deg: 30.0 + by * (t_s > 60)}
        blocks = [
            Block(channel=c, t_ns=np.round(t * 1e9).astype(np.int64), value=raw)
            for c, (t, raw) in sorted(made.signals().items())
        ]
        header = RunHeader(
            run_id="made",
            started_utc=None,
            software="test",
            rig_toml=RIG_TOML + quiet_toml("jib_angle", "deg"),
            test_toml=TEST_TOML,
        )
        path = tmp_path / f"made-{number}.parquet"
        write_sealed(path, header, blocks)
        result = analyse(open_run(path))
        found.append([f for f in result["findings"] if f["code"] == "jib_moved"])

    assert found[0] == []
    assert found[1][0]["severity"] == "caution"
    assert "moved by 6.0° with the load hanging" in found[1][0]["text"]
