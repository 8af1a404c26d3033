"""How many readings a second one serial line takes, and what share of a core they cost.

Not part of the suite, which holds no machine to a speed::

    python -m tests.campaigns.serial_throughput                # the source by itself
    python -m tests.campaigns.serial_throughput --recorder     # ``slewtrace record`` as a process

A device in a process of its own writes to a pseudo-terminal, in a flood or at a steady pace,
one line at a time. By itself the source hands over to a consumer that names, counts and keeps
nothing; the recorder is the real command, its CPU time read from the system's process table
after its start, its samples counted in the sealed run. Each case must lose nothing; the
figures depend on the machine, so its cores and its load stand beside them.
"""

from __future__ import annotations

import argparse
import json
import os
import pty
import queue
import signal
import subprocess
import sys
import tempfile
import threading
import time
import tty
from dataclasses import dataclass
from pathlib import Path

from logger.live.naming import PackNaming
from logger.readings.rig_file import read_rig
from logger.recording.run import open_run
from logger.sources.arrival import Arrival, SourceNote
from logger.sources.serial_line import SerialLine
from tests.rig_of_a_bay import TEST

RIG = """
[rig]
id = "bench"
[[source]]
id = "mast"
kind = "serial"
port = "{port}"
baud = 12000000
{decode}
[[channel]]
id = "load"
source = "mast"
name = "load"
unit = "kg"
[[channel]]
id = "wheel/rear_left"
source = "mast"
name = "rl"
closed_when = true
[[channel]]
id = "wheel/rear_right"
source = "mast"
name = "rr"
closed_when = true
"""
TEXT = """decode = "text"\npattern = '(?P<load>[-+]?\\d+\\.\\d+) kg'"""
SAMPLES_A_PACK = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """What one device sends, and what it may cost.

    Attributes:
        decode: ``text`` or ``senml``.
        frames: how many.
        frames_per_s: how many a second, one by one; None for as many as go.
        least_per_s: readings a second that must be reached, in a flood.
        most_share: share of one core that may be used, at a pace.
    """

    decode: str
    frames: int
    frames_per_s: float | None = None
    least_per_s: float = 0.0
    most_share: float = float("inf")

    @property
    def readings(self) -> int:
        """How many readings come."""
        return self.frames * (1 if self.decode == "text" else SAMPLES_A_PACK)


CASES = {
    "text lines, flood": Case(decode="text", frames=2_000_000, least_per_s=200_000),
    "text lines, 2000/s": Case(decode="text", frames=20_000, frames_per_s=2_000, most_share=0.15),
    "SenML, 1000 packs of 10 a second": Case(
        decode="senml", frames=10_000, frames_per_s=1_000, most_share=0.15
    ),
}


def frame_of(case: Case, number: int) -> bytes:
    """The device's next frame."""
    if case.decode == "text":
        return b"%+d.%d kg\r\n" % (1000 + number % 997, number % 10)
    records = b",".join(
        b'{"n":"load","t":%.3f,"v":%d}' % ((i - SAMPLES_A_PACK + 1) / 10_000, number % 997 + i)
        for i in range(SAMPLES_A_PACK)
    )
    return b'[{"seq":%d,"boot":"a","up":%.6f},%b]\n' % (number, number / 1000, records)


def send_all(master: int, case: Case) -> None:
    """Plays the device, as a process of its own: makes its frames, says so, sends when told."""
    frames = [frame_of(case, n) for n in range(case.frames)]
    data = memoryview(b"".join(frames))
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    sys.stdin.readline()
    if case.frames_per_s is None:
        while data:
            data = data[os.write(master, data[:65_536]) :]
        return
    begin = time.perf_counter()
    for number, frame in enumerate(frames):
        if (early_s := begin + number / case.frames_per_s - time.perf_counter()) > 0:
            time.sleep(early_s)
        os.write(master, frame)


class Device:
    """A process that plays the device; it sends when told, so that nothing is missed."""

    def __init__(self, master: int, name: str) -> None:
        self._master, self._case = master, CASES[name]
        command = [sys.executable, "-m", __spec__.name, "--device", str(master), "--case", name]
        self._process = subprocess.Popen(
            command, pass_fds=[master], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )

    def wait_until_ready(self) -> None:
        """Waits until its frames are made."""
        if self._process.stdout is not None:
            self._process.stdout.readline()

    def send(self) -> None:
        """Ends the line that it was in the middle of, and lets it send."""
        os.write(self._master, b"\n" if self._case.decode == "senml" else b"rest of a line\n")
        if self._process.stdin is not None:
            self._process.stdin.write(b"\n")
            self._process.stdin.close()

    def wait(self) -> None:
        """Waits until all is sent."""
        if self._process.wait(600):
            raise RuntimeError("the device failed")
        if self._process.stdout is not None:
            self._process.stdout.close()


def yardstick_us() -> float:
    """CPU time of adding up ten thousand numbers, us: what this machine is worth just now."""
    begin_s = time.thread_time()
    for _ in range(100):
        sum(range(10_000))
    return round((time.thread_time() - begin_s) / 100 * 1e6, 1)


def open_terminal() -> tuple[int, int, str]:
    """A raw pseudo-terminal: the device's end, ours, and our end's name."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    return master, slave, os.ttyname(slave)


def source_alone(name: str, case: Case) -> dict[str, object]:
    """Measures the source's thread and naming, with a consumer that only counts."""
    master, slave, port = open_terminal()
    rig = read_rig(RIG.format(port=port, decode=TEXT if case.decode == "text" else ""))
    naming = PackNaming(rig, "mast", utc_start_ns=0)
    items: queue.Queue[Arrival | SourceNote] = queue.Queue(100_000)
    device = Device(master, name)
    device.wait_until_ready()
    source = SerialLine(rig.source[0])
    source.start(items.put_nowait, time.monotonic_ns)
    device.send()
    first, count, notes = items.get(timeout=30), 0, []
    cpu_s, begin_s = time.process_time(), time.perf_counter()
    item: Arrival | SourceNote | None = first
    while item is not None:
        if isinstance(item, SourceNote):
            notes.append(item.text)
        else:
            t_ns = naming.times_ns(item.pack, arrival_ns=item.arrival_ns, wire_ns=item.wire_ns)
            count += sum(value.size for _, _, value in naming.by_channel(item.pack, t_ns))
        item = None if count >= case.readings else items.get(timeout=30)
    spent_s, wall_s = time.process_time() - cpu_s, time.perf_counter() - begin_s
    source.stop()
    device.wait()
    os.close(slave)
    os.close(master)
    return _figures(case, count=count, cpu_s=spent_s, wall_s=wall_s, notes=notes)


def whole_recorder(name: str, case: Case) -> dict[str, object]:
    """Measures ``slewtrace record``, from its first sample to the last that is in the run."""
    master, slave, port = open_terminal()
    with tempfile.TemporaryDirectory() as folder:
        rig = Path(folder) / "rig.toml"
        rig.write_text(RIG.format(port=port, decode=TEXT if case.decode == "text" else ""))
        test = Path(folder) / "test.toml"
        test.write_text(TEST)
        device = Device(master, name)
        device.wait_until_ready()
        recorder = subprocess.Popen(
            [
                *(Path(sys.executable).parent / "slewtrace", "record", "--json"),
                *("--rig", rig, "--test", test, "-o", folder),
            ],
            stdout=subprocess.PIPE,
        )
        events: list[dict[str, object]] = []
        reader = threading.Thread(target=_read_events, args=(recorder, events), daemon=True)
        reader.start()
        while not any(e["event"] == "recording" for e in events):
            time.sleep(0.05)
        cpu_s, begin_s = _cpu_s(recorder.pid), time.perf_counter()
        device.send()
        device.wait()
        sent_s = time.perf_counter() - begin_s
        spent_s = _cpu_s(recorder.pid) - cpu_s
        os.write(master, b"\n")
        time.sleep(1.0)
        recorder.send_signal(signal.SIGINT)
        recorder.wait(300)
        reader.join(10)
        [sealed] = Path(folder).glob("*.parquet")
        count = sum(open_run(sealed).header.samples.values())
    os.close(slave)
    os.close(master)
    notes = [str(e) for e in events if e["event"] == "gap"]
    return _figures(case, count=count, cpu_s=spent_s, wall_s=sent_s, notes=notes)


def _read_events(recorder: subprocess.Popen[bytes], events: list[dict[str, object]]) -> None:
    if recorder.stdout is not None:
        events.extend(json.loads(line) for line in recorder.stdout)


def _cpu_s(pid: int) -> float:
    """CPU time of a process so far, user and system, s."""
    # proc(5): fields 14 and 15, counted after the name, which may hold blanks.
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _figures(
    case: Case, *, count: int, cpu_s: float, wall_s: float, notes: list[str]
) -> dict[str, object]:
    rate, share = count / wall_s, cpu_s / wall_s
    is_paced = case.frames_per_s is not None
    return {
        "readings": count,
        "lost": case.readings - count,
        "readings_per_s": round(rate),
        "share_of_a_core": round(share, 3),
        "cpu_us_per_reading": round(cpu_s / max(count, 1) * 1e6, 2),
        "notes": notes[:5],
        "passed": count == case.readings
        and (share <= case.most_share if is_paced else rate >= case.least_per_s),
    }


def main() -> int:
    """Prints the figures as JSON; 1 where a case misses its mark."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--case", choices=CASES, help="only this one")
    parser.add_argument("--recorder", action="store_true", help="measure slewtrace record")
    parser.add_argument("--device", type=int, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.device is not None:
        send_all(arguments.device, CASES[arguments.case])
        return 0
    measure = whole_recorder if arguments.recorder else source_alone
    names = [arguments.case] if arguments.case else list(CASES)
    found = {name: measure(name, CASES[name]) for name in names}
    machine = {
        "cores": os.cpu_count(),
        "load": [round(x, 2) for x in os.getloadavg()],
        "yardstick_us": yardstick_us(),
    }
    sys.stdout.write(f"{json.dumps({'machine': machine, 'cases': found}, indent=2)}\n")
    return int(not all(figures["passed"] for figures in found.values()))


if __name__ == "__main__":
    raise SystemExit(main())
