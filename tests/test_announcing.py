"""Events reach listeners in order, and a listener that stands still delays nobody."""

import os
import threading
import time

from logger.live.announcing import Announcer, Listener
from logger.live.json_lines import JsonLines


class Slow:
    """An output that stands still until it is let go."""

    def __init__(self):
        self.go = threading.Event()
        self.taken = []
        self.beats = 0
        self.closed = False

    def take(self, event):
        """Waits until it is let go."""
        self.go.wait(10)
        self.taken.append(event)

    def beat(self):
        """Counts."""
        self.beats += 1

    def close(self):
        """Is told that it is over."""
        self.closed = True


def numbered(count):
    return [{"event": "gap", "n": n} for n in range(count)]


def test_a_listener_that_stands_still_delays_nobody():
    """Two thousand events to one that sleeps and one that does not: the other has all at once."""
    slow, quick = Slow(), Slow()
    quick.go.set()
    announcer = Announcer([Listener(slow, name="slow"), Listener(quick, name="quick")])
    began_s = time.monotonic()
    for event in numbered(2000):
        announcer(event)
    told_s = time.monotonic() - began_s
    end = time.monotonic() + 5
    while len(quick.taken) < 2000 and time.monotonic() < end:
        time.sleep(0.01)
    slow.go.set()
    announcer.close()

    assert told_s < 1.0
    assert quick.taken == numbered(2000)
    assert slow.taken == numbered(2000)
    assert slow.closed
    assert quick.closed


def test_events_beyond_the_bound_are_counted_and_told():
    """A listener with room for ten hears later how many it missed."""
    slow = Slow()
    listener = Listener(slow, name="slow", waiting=10)
    listener.offer({"event": "first"})
    time.sleep(0.05)  # it is being taken now, and no longer waits
    for event in numbered(25):
        listener.offer(event)
    slow.go.set()
    listener.close()

    assert slow.taken == [{"event": "first"}, *numbered(10), {"event": "missed", "count": 15}]


def test_an_output_is_called_between_events():
    """A beat comes though nothing happens, for heartbeats and keys."""
    quiet = Slow()
    listener = Listener(quiet, name="quiet", beat_s=0.01)
    time.sleep(0.3)
    listener.close()

    assert quiet.beats >= 5


def test_a_pipe_that_nobody_reads_does_not_keep_the_process():
    """With a full pipe the close comes back in its time, and the writer gives no error."""
    reads, writes = os.pipe()
    try:
        listener = Listener(JsonLines(writes), name="pipe")
        for event in numbered(5000):
            listener.offer({**event, "text": "x" * 100})
        began_s = time.monotonic()
        listener.close(within_s=0.3)
        closed_s = time.monotonic() - began_s
    finally:
        os.close(reads)  # the write that waits ends with this
        time.sleep(0.1)
        os.close(writes)

    assert closed_s < 2.0


def test_a_reader_that_has_gone_ends_nothing():
    """After the reader of a pipe has closed it, events are taken as before."""
    reads, writes = os.pipe()
    os.close(reads)
    output = JsonLines(writes)
    try:
        for event in numbered(3):
            output.take(event)
    finally:
        os.close(writes)

    assert not output.reader_is_there


def test_an_output_that_fails_is_told():
    """An output that breaks in a way nobody foresaw is reported, and delays nobody."""

    class Broken(Slow):
        def take(self, event):
            raise ZeroDivisionError(f"a fault at {event['n']}")

    told = []
    listener = Listener(Broken(), name="broken", on_failure=told.append)
    for event in numbered(3):
        listener.offer(event)
    listener.close()

    assert told == ["ZeroDivisionError: a fault at 0"]
