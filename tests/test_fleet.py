"""Many runs on several workers: the same answer, whoever answers and whoever is lost."""

from __future__ import annotations

import json
import os
import shutil
import signal
import threading
import time

import pytest
from typer.testing import CliRunner

from dashboard.catalogue.places import place_of
from dashboard.cli import app
from dashboard.fleet import workers as workers_module
from dashboard.fleet.fleet import fleet_of
from dashboard.fleet.workers import analyse_on, workers
from logger.errors import BadInput
from tests.made_fleet import PLAN, build_here, small_fleet


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    """A fleet with its catalogue, built in this process."""
    folder = shutil.copytree(
        small_fleet(tmp_path_factory), tmp_path_factory.mktemp("fleet"), dirs_exist_ok=True
    )
    (folder / "bad.parquet").write_bytes(b"no run")
    build_here(folder)
    return folder


def bytes_of(catalogue):
    """The bytes of each file of a catalogue, by name."""
    place = place_of(catalogue)
    pointer = json.loads(place.get("catalogue.json"))
    names = ["catalogue.json", *(t["file"] for t in pointer["tables"].values())]
    return {name: place.get(name) for name in names}


class Killer:
    """Kills a worker's process while it works, so many times."""

    def __init__(self, client, *, kills):
        self.killed = []
        self._thread = threading.Thread(target=self._kill, args=(client, kills), daemon=True)

    def _kill(self, client, kills):
        until_s = time.monotonic() + 60
        pids = client.run(os.getpid)
        while len(self.killed) < kills and time.monotonic() < until_s:
            time.sleep(0.05)
            busy = [address for address, keys in client.processing().items() if keys]
            pid = next((pids[a] for a in busy if pids.get(a) not in (None, *self.killed)), None)
            if pid is not None:
                os.kill(pid, signal.SIGKILL)
                self.killed.append(pid)

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *_):
        self._thread.join(60)


def test_the_same_bytes_whoever_is_lost(fleet, tmp_path):
    """Two workers of which one is killed at work, and those of a scheduler, give equal bytes."""
    with workers(count=2, scheduler=None) as client:
        with Killer(client, kills=1) as killer:
            build_here(fleet, tmp_path / "two", analyst=lambda tasks: analyse_on(client, tasks))
        named = client.scheduler.address
        asked = fleet_of(str(fleet), catalogue=str(tmp_path / "named"), scheduler=named)
        asked.build(lambda _done, _of: None)
    own = bytes_of(fleet / ".slewtrace/catalogue")

    assert len(killer.killed) == 1
    assert bytes_of(tmp_path / "two") == own
    assert bytes_of(tmp_path / "named") == own


def run_command(*words):
    return CliRunner().invoke(app, ["fleet", *map(str, words)], catch_exceptions=True)


def test_the_command_says_what_it_did(fleet):
    """With nothing to do the command starts no worker and says what the catalogue holds."""
    said = json.loads(run_command(fleet, "--json").stdout)
    text = run_command(fleet).stdout

    assert (said["runs"], said["analysed"]) == (PLAN.runs, 0)
    assert [a["path"] for a in said["set_aside"]] == ["bad.parquet"]
    assert f"{PLAN.runs} runs" in text
    assert "bad.parquet: is no Parquet file" in text


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["no/such/folder"], "can't be listed"),
        (["nosuchkind://x/y"], "nosuchkind"),
    ],
)
def test_a_mistake_is_one_line(words, told):
    """A folder that is not there or an URL of an unknown kind is one line."""
    result = run_command(*words)

    assert isinstance(result.exception, BadInput)
    assert told in str(result.exception)
    assert "\n" not in str(result.exception)


def test_a_scheduler_that_does_not_answer(fleet, tmp_path, monkeypatch):
    """An address where no scheduler answers is one line that says what would do."""
    monkeypatch.setattr(workers_module, "_CONNECT_S", 1)
    asked = fleet_of(str(fleet), catalogue=str(tmp_path / "other"), scheduler="tcp://127.0.0.1:9")
    with pytest.raises(BadInput, match="no scheduler answers"):
        asked.build(lambda _done, _of: None)


def test_without_the_extra(fleet, monkeypatch):
    """Without dask the command says what to install."""
    monkeypatch.setattr(workers_module.importlib.util, "find_spec", lambda _: None)
    with pytest.raises(BadInput, match=r"pip install slewtrace\[fleet\]"):
        fleet_of(str(fleet), catalogue=None).build(lambda _done, _of: None)
