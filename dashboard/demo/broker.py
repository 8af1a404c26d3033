"""A broker for the demo alone: mosquitto where it is installed, else amqtt in this process.

Either listens on a free port of this machine only and is gone when the demo ends. mosquitto's
queues are unbounded here: by default it drops QoS 1 messages beyond 1,000 without a word, and
a recorder that acknowledges only what is on the disk has many of them under way.
"""

from __future__ import annotations

import asyncio
import contextlib
import shutil
import socket
import subprocess
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Literal

from logger.errors import SourceUnavailable

HOST = "127.0.0.1"
START_TIMEOUT_S = 10.0
BrokerKind = Literal["mosquitto", "amqtt"]


def installed_broker() -> BrokerKind:
    """Which broker the demo takes here."""
    return "mosquitto" if shutil.which("mosquitto") else "amqtt"


@contextlib.contextmanager
def running_broker(kind: BrokerKind | None = None) -> Iterator[int]:
    """Runs a broker.

    Args:
        kind: which one; by default the one that ``installed_broker`` names.

    Yields:
        The port it listens on.

    Raises:
        SourceUnavailable: where it does not come up.
    """
    kind = kind or installed_broker()
    port = _free_port()
    with _mosquitto(port) if kind == "mosquitto" else _amqtt(port):
        yield port


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


@contextlib.contextmanager
def _mosquitto(port: int) -> Iterator[None]:
    program = shutil.which("mosquitto")
    if program is None:
        raise SourceUnavailable(
            where="demo, broker", what="mosquitto is not installed", would_do="install it"
        )
    with tempfile.TemporaryDirectory() as folder:
        settings = Path(folder) / "mosquitto.conf"
        settings.write_text(
            f"listener {port} {HOST}\nallow_anonymous true\npersistence false\n"
            "max_queued_messages 0\nmax_inflight_messages 0\n",
            encoding="utf-8",
        )
        process = subprocess.Popen(  # noqa: S603 - the broker that is installed, our own settings
            [program, "-c", str(settings)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            _wait_until_listening(port, process)
            yield
        finally:
            process.terminate()
            try:
                process.wait(timeout=5)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def _wait_until_listening(port: int, process: subprocess.Popen[bytes]) -> None:
    end = time.monotonic() + START_TIMEOUT_S
    while time.monotonic() < end and process.poll() is None:
        with contextlib.suppress(OSError), socket.create_connection((HOST, port), timeout=1):
            return
        time.sleep(0.02)
    raise SourceUnavailable(
        where=f"demo, mosquitto on port {port}",
        what="did not start to listen"
        if process.poll() is None
        else f"ended at once with code {process.returncode}",
        would_do="try the demo again, or see whether 'mosquitto' starts by hand",
    )


@contextlib.contextmanager
def _amqtt(port: int) -> Iterator[None]:
    up, end = threading.Event(), threading.Event()
    failure: list[Exception] = []

    def run() -> None:
        try:
            asyncio.run(_amqtt_until(port, up, end))
        except Exception as exc:  # noqa: BLE001 - told to the thread that waits, below
            failure.append(exc)
            up.set()

    thread = threading.Thread(target=run, name="demo-broker", daemon=True)
    thread.start()
    try:
        if not up.wait(START_TIMEOUT_S) or failure:
            cause = failure[0] if failure else "did not start to listen"
            raise SourceUnavailable(where=f"demo, embedded broker on port {port}", what=str(cause))
        yield
    finally:
        end.set()
        thread.join(START_TIMEOUT_S)


async def _amqtt_until(port: int, up: threading.Event, end: threading.Event) -> None:
    from dashboard.demo.embedded_broker import (  # noqa: PLC0415 - a second that mosquitto spares
        serving,
    )

    async with serving(HOST, port):
        up.set()
        while not end.is_set():  # noqa: ASYNC110 - the event belongs to another thread
            await asyncio.sleep(0.05)
