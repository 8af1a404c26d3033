"""Platforms: Windows as far as it can be tried elsewhere, and the services of Linux and Windows."""

from __future__ import annotations

import io
import json
import re
import shutil
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from dashboard.cli import main
from logger.operating_system import ending_signals
from tests.warm_process import WarmProcess

SERVICES = Path(__file__).parents[1] / "hardware_notes" / "services"
UNITS = sorted(SERVICES.glob("*.service"))


@pytest.fixture(scope="module")
def as_on_windows(tmp_path_factory):
    """What a process saw that looks like Windows to this project's modules."""
    folder = tmp_path_factory.mktemp("windows")
    words = [sys.executable, "-m", "tests.as_on_windows", str(folder)]
    with WarmProcess(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        out, told = process.communicate(timeout=110)
    assert process.returncode == 0, told
    return json.loads(out)


def test_every_module_can_be_imported_on_windows(as_on_windows):
    """No module asks at its import for what Windows lacks."""
    assert as_on_windows["modules"] > 400
    assert as_on_windows["windows"] == {}


def test_a_run_is_recorded_sealed_and_judged_without_what_windows_lacks(as_on_windows):
    """From a serial line to the result nothing is called that is not there."""
    assert as_on_windows["events"][0] == "recording"
    assert as_on_windows["events"][-1] == "sealed"
    assert as_on_windows["samples"] > 0
    assert as_on_windows["left"] == []
    assert as_on_windows["result"].startswith("Run as-on-windows-")


def test_windows_goes_its_own_way_where_it_differs(as_on_windows):
    """Clock, keys, event loop, signs and open files as Windows wants them."""
    assert as_on_windows["clock"]
    assert as_on_windows["keys"] == "ar"  # the arrow's two halves are left out
    assert as_on_windows["loop"] == "OlderLoop"
    assert as_on_windows["encoding"] == "utf-8"
    assert "is in use" in as_on_windows["in_use"]


def test_what_does_not_work_on_windows_is_refused_in_one_line(as_on_windows):
    """A missing port, a busy one, the demo."""
    assert "no port 'COM5'" in as_on_windows["missing"]
    assert "'COM5' is busy: another program holds it" in as_on_windows["busy"]
    assert "the demo needs a pseudo-terminal, which Windows does not have" in as_on_windows["demo"]


def test_a_page_without_our_signs_is_no_crash(monkeypatch):
    """What a locale lacks is written as a question mark by every command."""
    page = io.TextIOWrapper(io.BytesIO(), encoding="cp1252")
    monkeypatch.setattr(sys, "stdout", page)
    monkeypatch.setattr(sys, "argv", ["slewtrace", "--version"])
    with pytest.raises(SystemExit):
        main()
    print("■ −12 °")
    page.flush()

    assert page.buffer.getvalue().endswith(b"? ?12 \xb0\n")


def test_the_units_are_what_systemd_reads(tmp_path):
    """``systemd-analyze verify`` finds nothing, and would: a misspelt key is told."""
    if shutil.which("systemd-analyze") is None:
        pytest.skip("systemd-analyze is not here (Debian package systemd)")
    for unit in UNITS:
        text = unit.read_text().replace("/opt/slewtrace/.venv/bin/slewtrace", sys.executable)
        (tmp_path / unit.name).write_text(text)
    bad = tmp_path / "bad.service"
    bad.write_text(f"[Service]\nExecStart={sys.executable}\nKillSignl=SIGINT\n")

    def told(*names):
        done = subprocess.run(
            ["systemd-analyze", "verify", *(tmp_path / n for n in names)],
            capture_output=True,
            text=True,
            check=False,
        )
        return done.stderr

    own = [line for line in told(*(u.name for u in UNITS)).splitlines() if str(tmp_path) in line]
    assert own == []
    assert "KillSignl" in told(bad.name)


def _keys(name):
    """The keys of a unit; a key that stands twice has its last value."""
    text = (SERVICES / name).read_text()
    return dict(line.split("=", 1) for line in text.splitlines() if re.match(r"\w+=", line))


def test_stopping_the_recorder_seals():
    """The unit's signal is one that the recorder seals on, for it alone, with time to do so."""
    keys = _keys("slewtrace-record@.service")

    assert keys["KillSignal"] in {s.name for s in ending_signals()}
    assert keys["KillMode"] == "mixed"
    assert keys["TimeoutStopSec"] == "10min"
    assert keys["RestartPreventExitStatus"] == "2"
    assert "Install" not in (SERVICES / "slewtrace-record@.service").read_text()


def test_recorder_and_dashboard_find_each_other():
    """Both units run as one user with one runtime folder that outlives either."""
    record, serve = _keys("slewtrace-record@.service"), _keys("slewtrace-serve.service")

    for key in ("User", "RuntimeDirectory", "RuntimeDirectoryMode", "RuntimeDirectoryPreserve"):
        assert record[key] == serve[key]
    for unit in ("slewtrace-record@.service", "slewtrace-serve.service"):
        assert "Environment=XDG_RUNTIME_DIR=/run/slewtrace\n" in (SERVICES / unit).read_text()


def test_the_task_of_windows_is_well_formed():
    """Elements are of the scheduler's schema (names from memory; never tried on Windows)."""
    known = {
        "Task", "RegistrationInfo", "Description", "Triggers", "LogonTrigger", "Enabled", "UserId",
        "Principals", "Principal", "LogonType", "RunLevel", "Settings", "MultipleInstancesPolicy",
        "DisallowStartIfOnBatteries", "StopIfGoingOnBatteries", "AllowHardTerminate",
        "ExecutionTimeLimit", "RestartOnFailure", "Interval", "Count", "Actions", "Exec", "Command",
        "Arguments", "WorkingDirectory",
    }  # fmt: skip
    space = "{http://schemas.microsoft.com/windows/2004/02/mit/task}"
    tree = ET.parse(SERVICES / "slewtrace-serve.xml")  # noqa: S314 - our own file

    assert {e.tag for e in tree.iter()} <= {space + name for name in known}
    assert tree.getroot().get("version") == "1.2"
