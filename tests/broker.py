"""A real MQTT broker for tests: mosquitto on a free loopback port, from a file of its own."""

import signal
import socket
import subprocess
import time
from contextlib import contextmanager
from pathlib import Path


def free_port():
    """A TCP port of the loopback address that nothing listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


class Broker:
    """A mosquitto that can be stopped, killed and started again on its port.

    Attributes:
        port: TCP port on 127.0.0.1.
        url: for a rig file.

    Args:
        folder: where its files go.
        saves_each_change: whether a kill takes nothing from it but the last change; it then
            writes all it holds with each message, which a long queue makes slow.
    """

    def __init__(
        self,
        folder,
        *,
        port=None,
        lines=(),
        scheme="mqtt",
        anonymous=True,
        saves_each_change=True,
    ):
        self.port = port or free_port()
        self.url = f"{scheme}://127.0.0.1:{self.port}"
        self._folder = Path(folder)
        self._config = self._folder / f"mosquitto-{self.port}.conf"
        self._config.write_text(
            "\n".join(
                (
                    f"listener {self.port} 127.0.0.1",
                    f"allow_anonymous {'true' if anonymous else 'false'}",
                    "max_queued_messages 0",  # it would drop beyond 1,000 in silence
                    "persistence true",
                    f"persistence_location {self._folder}/",
                    f"persistence_file broker-{self.port}.db",
                    f"autosave_on_changes {'true' if saves_each_change else 'false'}",
                    "autosave_interval 1",  # changes, or else seconds
                    "user root",
                    *lines,
                    "",
                )
            )
        )
        self._process = None

    def start(self):
        """Starts it and waits until it listens."""
        log = (self._folder / f"mosquitto-{self.port}.log").open("ab")
        with log:
            self._process = subprocess.Popen(
                ["mosquitto", "-c", str(self._config)], stdout=log, stderr=log
            )
        deadline = time.monotonic() + 10
        while time.monotonic() < deadline:
            with socket.socket() as probe:
                probe.settimeout(0.5)
                if probe.connect_ex(("127.0.0.1", self.port)) == 0:
                    return self
            if self._process.poll() is not None:
                break
            time.sleep(0.02)
        raise RuntimeError(f"mosquitto did not start:\n{self.log}")

    def stop(self):
        """Ends it in good order, so that it writes its sessions down."""
        self._end(self._process.terminate)

    def signal(self, number):
        """Sends it a signal."""
        self._process.send_signal(number)

    def save(self):
        """Has it write down what it holds, and gives it the time."""
        self._process.send_signal(signal.SIGUSR1)
        time.sleep(0.3)

    def kill(self):
        """Ends it as a crash would."""
        self._end(self._process.kill)

    def _end(self, how):
        if self._process is not None:
            how()
            self._process.wait(10)
            self._process = None

    @property
    def running(self):
        """Whether its process is there."""
        return self._process is not None

    @property
    def log(self):
        """What it has said so far."""
        return (self._folder / f"mosquitto-{self.port}.log").read_text(errors="replace")


@contextmanager
def running_broker(folder, **options):
    """A started broker, ended when left.

    Args:
        folder: where its files go.
        options: ``port``, ``lines`` (more of the configuration), ``scheme``, ``anonymous``,
            ``saves_each_change``.
    """
    broker = Broker(folder, **options).start()
    try:
        yield broker
    finally:
        if broker.running:
            broker.stop()
