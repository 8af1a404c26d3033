"""Both boards of the reference firmware on the bench at true speed, with their own configuration.

``python -m tests.campaigns.firmware_live --seconds 60``. ``slewtrace check`` and ``slewtrace
record`` run as a person would start them; the figures are what the run says of the boards' clocks,
what is missing, and the processor time that each board took.
"""

from __future__ import annotations

import argparse
import os
import pty
import subprocess
import sys
import tempfile
import time
import tty
from pathlib import Path

from dashboard.demo.simulation import simulate
from logger.recording.run import open_run
from tests.broker import running_broker
from tests.firmware_signals import mast_signals, wheel_signals, write_signals
from tests.micropython import FIRMWARE, Board
from tests.paced_clock import PacedClock

COMMAND = [sys.executable, "-m", "dashboard"]
DRIFT_PPM = {"mast": 35, "wheels": -20}


def main() -> None:
    """Checks and records, and prints what came of it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0)
    seconds = parser.parse_args().seconds
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        simulation = simulate("both-sides")
        write_signals(folder / "mast", mast_signals(simulation), drift_ppm=DRIFT_PPM["mast"])
        write_signals(folder / "wheels", wheel_signals(simulation), drift_ppm=DRIFT_PPM["wheels"])
        node_end, recorder_end = pty.openpty()
        tty.setraw(recorder_end)
        with (
            running_broker(folder, saves_each_change=False) as broker,
            PacedClock(folder / "clock", rate=1.0, boards=2) as clock,
        ):
            _write_files(folder, simulation, port=os.ttyname(recorder_end), url=broker.url)
            boards = [
                Board("mast", folder / "mast", clock, node_end, (node_end,)),
                Board("wheels", folder / "wheels", clock, broker.port),
            ]
            time.sleep(0.5)
            for board, drift_ppm in zip(boards, DRIFT_PPM.values(), strict=True):
                board.go(clock() // 1000, drift_ppm)
            try:
                _check_and_record(folder, seconds)
            finally:
                for board_name, board in zip(DRIFT_PPM, boards, strict=True):
                    print(f"{board_name}: {board.processor_s()} s of processor time", board.end())


def _write_files(folder, simulation, *, port, url):
    rig = (FIRMWARE / "rig.toml").read_text()
    rig = rig.replace("/dev/serial/by-id/mast-node", port).replace("mqtt://127.0.0.1:1883", url)
    (folder / "rig.toml").write_text(rig)
    test = simulation.test_toml.replace('chart = "demo-chart.csv"\n', "")
    (folder / "test.toml").write_text(test)


def _check_and_record(folder, seconds):
    rig = ["--rig", folder / "rig.toml"]
    subprocess.run([*COMMAND, "check", *rig, "--no-guided"], check=False)
    test = ["--test", folder / "test.toml", "-o", folder / "runs", "--for", f"{seconds} s"]
    subprocess.run([*COMMAND, "record", *rig, *test], check=True, capture_output=True)
    (path,) = (folder / "runs").glob("*.parquet")
    run = open_run(path)
    print("gaps", [(g.kind, g.source, g.missing) for g in run.gaps])
    print("samples", run.header.samples)
    for source, fit in run.header.clock_fits.items():
        answers = f"{fit.pairs_two_way} of {fit.pairs} packs were answers"
        print(f"{source}: u {1000 * fit.u_s:.2f} ms, rate {fit.rate:.7f}, {answers}")


if __name__ == "__main__":
    main()
