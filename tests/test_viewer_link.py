"""The link of those who watch: the standing state, events at once, and never in the way."""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
import threading
import time
from collections import deque
from pathlib import Path

import pytest

from logger.errors import SourceUnavailable
from logger.events.load_phase import LoadState
from logger.events.standing_alarms import AlarmChange, AlarmState
from logger.live import viewer_link
from logger.live.live_recordings import LiveRecording
from logger.live.snapshot import Snapshot
from logger.live.viewer import WAITING_BYTES, WAITING_LINES
from logger.live.viewer_lines import LONGEST_REQUEST_BYTES, Request
from logger.live.viewer_link import NoLink, ViewerLink, open_link
from logger.live.viewing import viewed
from tests.rig_of_a_bay import header

ALARM = AlarmChange(
    condition="wheel/rear_left",
    state=AlarmState.CONFIRMED,
    active=True,
    acknowledged=False,
    t_ns=1_000_000_000,
    text="wheel rear_left HAS LIFTED",
)
LIFT = {
    "event": "wheel_lift",
    "state": "confirmed",
    "wheel": "rear_left",
    "t_s": 1.0,
    "slew_deg": 74.6,
    "load": "hanging",
}


def snapshot(t_s, **changes):
    fields = {
        "t_ns": round(t_s * 1e9),
        "latest": {"slew": 10.0, "load": 1360.0, "wheel/rear_left": 1.0},
        "stale": frozenset(),
        "load_state": LoadState.HANGING,
        "alarms": (),
        "rates_hz": {"slew": 100.0},
        "missing_packs": {},
        "other_gaps": 0,
        "clock_u_s": {"mast": 0.001},
        "kept_samples": 5,
        "waiting_s": 0.0,
        "room_left_s": None,
        "latest_ns": {"slew": round(t_s * 1e9)},
        "load_hangs": True,
    }
    return Snapshot(**(fields | changes))


class Opened:
    """A link with what it did to the recorder."""

    def __init__(self):
        self.notes = deque()
        self.failures = []
        self.clock_ns = 20_000_000_000
        self.link = ViewerLink(
            header(),
            Path("runs/bay-2-1.journal"),
            clock=lambda: self.clock_ns,
            notes=self.notes,
            on_failure=self.failures.append,
        )
        self.entry = LiveRecording(
            run_id="bay-2-1", journal="x", pid=1, port=self.link.port, token=self.link.token
        )

    def plain(self, *lines):
        """A bare connection that has sent these lines."""
        connection = socket.create_connection(("127.0.0.1", self.link.port), timeout=10)
        for line in lines:
            connection.sendall(line)
        return connection

    def hello(self):
        """The line that lets a viewer in."""
        return json.dumps({"token": self.link.token}).encode() + b"\n"


@pytest.fixture
def opened():
    made = Opened()
    yield made
    made.link.close()

    assert not made.failures


async def until(view, wanted, *, seconds=20):
    """What is told, up to the first for which ``wanted`` is true."""
    told = []
    async with asyncio.timeout(seconds):
        while not told or not wanted(told[-1]):
            said = await view.next()
            if said is None:
                raise AssertionError(f"ended after {told}")
            told.append(said)
    return told


def ended(connection):
    """Whether the recorder has closed a connection, once all it sent is read."""
    with contextlib.suppress(ConnectionResetError):
        while connection.recv(65_536):
            pass
    connection.close()
    return True


def test_who_comes_in_the_middle_gets_the_standing_state_and_then_each_event(opened):
    """Header, what was before, the state with its openings and progress; news in their order."""
    link = opened.link
    for slew_deg in range(75):
        link.show(snapshot(0.1 * slew_deg, latest={"slew": float(slew_deg)}))
    link.offer(LIFT)
    link.offer({"event": "note", "kind": "radius", "t_s": 9.0, "text": "", "value_m": 3.49})
    link.show(snapshot(9.5, alarms=(ALARM,), latest={"slew": 75.0}))

    async def watch():
        async with viewed(opened.entry) as view:
            first = await until(view, lambda t: t.kind == "state" and t.state.tape is not None)
            link.offer(LIFT | {"state": "cleared"})
            link.sealing()
            link.offer({"event": "sealed", "path": "x.parquet", "samples": 5})
            return view.watched, first, await until(view, lambda t: t.event.get("path"))

    watched, first, later = asyncio.run(watch())
    state = first[-1].state

    assert (watched.run_id, watched.clock_rate) == ("bay-2-1", 1.0)
    assert "[truck]" in watched.test_toml
    assert watched.journal == str(Path("runs/bay-2-1.journal").absolute())
    assert [t.event["event"] for t in first if t.before] == ["wheel_lift", "note"]
    assert state.openings == {"rear_left": "confirmed"}
    assert state.progress["right"].swept_deg == pytest.approx(75.0)
    assert state.progress["right"].lift_wheel == "rear_left"
    assert state.progress["right"].lift_deg == 74.6
    assert state.tape.value_m == 3.49
    assert (state.lift.t_ns, state.lift.radius_m) == (1_000_000_000, None)
    assert state.alarms[0]["text"] == ALARM.text
    assert [t.kind for t in later] == ["event", "sealing", "event"]


def test_what_a_viewer_asks_for_becomes_a_note_of_its_moment(opened):
    """Each kind, dated at the press; a moment that can't be is taken as now."""
    asked = [
        Request(do="radius", number=1, t_ns=19_500_000_000, text="3.49 m", value_m=3.49),
        Request(do="mark", number=2, t_ns=30_000_000_000),
        Request(do="text", number=3, t_ns=19_000_000_000, text="wind picks up"),
        Request(do="acknowledge", number=4, t_ns=20_000_000_000),
    ]

    async def ask():
        async with viewed(opened.entry) as view:
            for request in asked:
                await view.ask(request)
            return await until(view, lambda t: t.number == 4)

    answers = asyncio.run(ask())

    assert all(a.ok for a in answers)
    assert [(n.kind, n.t_ns, n.text, n.value_m) for n in opened.notes] == [
        ("radius", 19_500_000_000, "3.49 m", 3.49),
        ("mark", 20_000_000_000, "", None),
        ("text", 19_000_000_000, "wind picks up", None),
        ("acknowledge", 20_000_000_000, "", None),
    ]


def test_nobody_acknowledges_an_alarm_that_was_not_before_his_eyes(opened):
    """An alarm that came up meanwhile refuses the acknowledgement; seen, it is taken."""
    opened.link.offer(ALARM.as_event())

    async def ask():
        async with viewed(opened.entry) as view:
            await until(view, lambda t: t.event.get("event") == "alarm")
            told = []
            for number, seen in ((1, ()), (2, (("wheel/rear_left", "confirmed"),))):
                await view.ask(
                    Request(do="acknowledge", number=number, t_ns=20_000_000_000, seen=seen)
                )
                told += await until(view, lambda t, n=number: t.number == n)
            return told

    refused, taken = asyncio.run(ask())

    assert not refused.ok
    assert "new alarm" in refused.text
    assert taken.ok
    assert len(opened.notes) == 1


@pytest.mark.parametrize(
    "said",
    [
        b'{"token": "guessed"}\n',
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
        b"\xff\xfe\x00\n",
        b'{"token": 5}\n',
        b"x" * (LONGEST_REQUEST_BYTES + 1),
        b"[" * 4000 + b"\n",
    ],
)
def test_who_does_not_know_the_token_is_dropped_and_told_nothing(opened, said):
    """A wrong token, another protocol, no text, no object, a line without end."""
    stranger = opened.plain(said)
    heard = b""
    with contextlib.suppress(ConnectionResetError):
        while piece := stranger.recv(65_536):
            heard += piece
    stranger.close()

    assert heard == b""


@pytest.mark.parametrize(
    "said",
    [
        b"not json\n",
        b'{"do": "format the disk", "number": 1, "t_ns": 0}\n',
        b'{"do": "radius", "number": 1, "t_ns": 0, "value_m": -3}\n',
        b'{"do": "radius", "number": 1, "t_ns": 0}\n',
        b'{"do": "text", "number": 1, "t_ns": 0, "text": "a\\u001b[2J"}\n',
        b'{"do": "text", "number": 1, "t_ns": 0, "text": "' + b"x" * 501 + b'"}\n',
        b'{"do": "mark", "number": 1, "t_ns": 1e300}\n',
        b"y" * (LONGEST_REQUEST_BYTES + 1),
    ],
)
def test_a_viewer_who_talks_nonsense_is_dropped_and_others_go_on(opened, said):
    """What is no request ends that connection, makes no note, and harms nobody else."""
    with opened.plain(opened.hello(), said) as hostile:
        assert ended(hostile)

    async def watch():
        async with viewed(opened.entry) as view:
            opened.link.offer({"event": "back", "source": "mast", "t_s": 1.0})
            return await until(view, lambda t: t.kind == "event")

    assert asyncio.run(watch())
    assert not opened.notes


def test_one_who_says_nothing_is_let_go_and_too_many_are_not_let_in(opened, monkeypatch):
    """A silent connection ends after two seconds; beyond the bound none is kept."""
    monkeypatch.setattr(viewer_link, "MOST_VIEWERS", 2)
    silent = [opened.plain() for _ in range(3)]

    assert all(ended(connection) for connection in silent)


def test_a_viewer_who_stands_still_slows_nobody_and_is_told_what_he_missed(opened):
    """Handing over stays quick beside a viewer who reads nothing; the waiting is bounded."""
    stalled = opened.plain(opened.hello())
    told = stalled.makefile("rb")
    assert json.loads(told.readline())["kind"] == "header"
    event = {"event": "gap", "source": "mast", "t_s": 1.0, "text": "x" * 4000}
    longest_s = 0.0
    for number in range(3 * WAITING_LINES):
        begun_s = time.perf_counter()
        opened.link.offer(event)
        opened.link.show(snapshot(number * 0.01))
        longest_s = max(longest_s, time.perf_counter() - begun_s)
        if number % 100 == 0:
            _caught_up(opened.link)
    _caught_up(opened.link)
    (viewer,) = opened.link._viewers

    assert longest_s < 0.5  # no timing of the machine: a blocked socket would hold it for ever
    assert len(viewer._waiting) <= WAITING_LINES + 1
    assert viewer._waiting_bytes <= WAITING_BYTES + 100_000

    heard = [json.loads(told.readline())]
    while heard[-1]["kind"] != "missed":
        heard.append(json.loads(told.readline()))
    told.close()
    stalled.close()
    events = sum(h["kind"] == "event" for h in heard)
    states = [h["state"]["t_ns"] for h in heard if h["kind"] == "state"]

    assert heard[-1]["count"] + events == 3 * WAITING_LINES
    assert states[-1] == round((3 * WAITING_LINES - 1) * 1e7)


def _caught_up(link, *, seconds=20):
    end = time.monotonic() + seconds
    while link._items and time.monotonic() < end:
        time.sleep(0.002)

    assert not link._items


def test_a_link_that_fails_or_can_not_be_opened_is_told_and_ends_nothing(monkeypatch):
    """No socket: a line that says so. A fault inside: a line, and handing over goes on."""
    told = []

    def no_socket(*_given, **_more):
        raise OSError(24, "Too many open files")

    given = {"clock": lambda: 0, "notes": deque(), "tell": told.append}
    with monkeypatch.context() as patched:
        patched.setattr(socket, "create_server", no_socket)
        link, why = open_link(header(), Path("x.journal"), **given)

    assert isinstance(link, NoLink)
    assert "Too many open files" in why

    link, why = open_link(header(), Path("x.journal"), **given)
    link.offer({"no event": "at all"})
    link._thread.join(10)
    link.offer(LIFT)
    link.close()

    assert not why
    assert [e["event"] for e in told] == ["unreachable"]


def test_an_entry_that_leads_nowhere_is_told_in_one_line():
    """No port, a port where nobody listens, and one where somebody else does."""

    async def come(entry):
        async with viewed(entry):
            pass

    with socket.create_server(("127.0.0.1", 0)) as stranger:
        port = stranger.getsockname()[1]

        def hang_up():
            stranger.accept()[0].close()

        thread = threading.Thread(target=hang_up, daemon=True)
        thread.start()
        for entry in (
            LiveRecording(run_id="r", journal="j", pid=1),
            LiveRecording(run_id="r", journal="j", pid=1, port=1),
            LiveRecording(run_id="r", journal="j", pid=1, port=port),
        ):
            with pytest.raises(SourceUnavailable, match="watch"):
                asyncio.run(come(entry))
        thread.join(10)
