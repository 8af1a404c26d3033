"""A board on the bench: pins, timers and a tick counter that a file of signals drives.

It runs under MicroPython's Unix port and offers what the firmware's own ``board.py`` offers. The
signals are what a simulated truck's sensors do. Time is that of ``tests/paced_clock.py``, much
faster than the wall's. An interrupt comes at its signal's time, however late the bench is.

Called as ``micropython -m main mast|wheels SIGNALS CLOCK RATE PORT``: for the mast PORT is the
file descriptor of a pseudo-terminal, for the wheels the broker's TCP port. All stands still until
a line ``go START_US DRIFT`` comes on standard input; its end ends the bench.
"""

import select
import struct
import sys
import time
from binascii import hexlify
from os import urandom

from broker_socket import open_connection

TICKS_PERIOD = 1 << 30
START_TICKS = TICKS_PERIOD - 200_000_000  # the counter starts again while the test goes on
SIGNAL = "<QBi"
SIGNAL_BYTES = struct.calcsize(SIGNAL)
TIMER, CONVERSION = 128, 200  # kinds of signals; below 128 it is the level of a pin
TURN_US = 10_000  # device time that the main loop is away at most
LATE_US = 20_000
LISTENS_EVERY = 50  # rests
CLOCK = "<qqq"


class _Clock:
    """The time that all parts of the test share."""

    def __init__(self, path, rate, place):
        self._file = open(path, "r+b")
        self._rate = rate
        self._place = place
        self._read = bytearray(24)
        self._done = bytearray(8)
        self._newest_us = 0

    def now_us(self):
        self._file.seek(0)
        self._file.readinto(self._read)
        then_us, wall_us, limit_us = struct.unpack(CLOCK, self._read)
        since_us = int((time.ticks_us() - wall_us) * self._rate)
        self._newest_us = max(self._newest_us, min(then_us + since_us, limit_us))
        return self._newest_us

    def tell_done(self, us):
        struct.pack_into("<q", self._done, 0, us)
        self._file.seek(24 + 8 * self._place)
        self._file.write(self._done)


class _Bench:
    """What all parts of the board share."""

    def __init__(self):
        self.pins = {}
        self.timers = []
        self.bridges = []
        self.unread = 0
        self.start_us = None
        self.at_us = None  # within an interrupt: when it came
        self._rests = 0
        self._speed = 1.0  # of this board's clock against the true time
        place = ("mast", "wheels").index(sys.argv[1])
        self._clock = _Clock(sys.argv[3], float(sys.argv[4]), place)
        self._file = open(sys.argv[2], "rb")
        self._next = bytearray(SIGNAL_BYTES)
        self._advance()
        self._commands = select.poll()
        self._commands.register(sys.stdin, select.POLLIN)

    def _advance(self):
        if self._file.readinto(self._next) == SIGNAL_BYTES:
            self.next_us, self._kind, self._value = struct.unpack(SIGNAL, self._next)
        else:
            self.next_us = None

    def now_us(self):
        """Device time, µs since the test's start."""
        if self.at_us is not None:
            return self.at_us
        if self.start_us is None:
            return 0
        return max(0, int((self._clock.now_us() - self.start_us) * self._speed))

    def listen(self, wait_ms):
        if self._commands.poll(wait_ms):
            words = sys.stdin.readline().split()
            if not words:
                if self.unread:
                    print(f"{self.unread} conversions were not read")
                sys.exit()
            self.start_us, self._speed = int(words[1]), 1.0 + float(words[2]) * 1e-6

    def rest(self):
        """Lets pass what time is left, and interrupts happen."""
        self._rests += 1
        if self.start_us is None or self._rests % LISTENS_EVERY == 0:
            self.listen(5 if self.start_us is None else 0)
        if self.start_us is not None:
            now_us = self.now_us()
            self.fire(now_us)
            done_us = now_us if self.next_us is None else min(now_us, self.next_us)
            self._clock.tell_done(self.start_us + int(done_us / self._speed))

    def fire(self, now_us):
        """Lets interrupts happen until the main loop has something to do."""
        if self.next_us is None:
            time.sleep_ms(1)
            return
        if self.next_us > now_us:
            time.sleep_us(500)
            return
        until_us = min(now_us, self.next_us + TURN_US)
        while self.next_us is not None and self.next_us <= until_us:
            kind, self.at_us = self._kind, self.next_us
            self._happen(kind, self._value)
            self.at_us = None
            self._advance()
            if kind >= CONVERSION:
                return

    def _happen(self, kind, value):
        if kind >= CONVERSION:
            self.bridges[kind - CONVERSION].convert(value)
        elif kind >= TIMER:
            self.timers[kind - TIMER](None)
        else:
            self.pins[kind].become(value)

    @property
    def is_late(self):
        return self.next_us is not None and self.next_us < self.now_us() - LATE_US


class _Pin:
    """A line that signals drive; one with a pull-up rests high."""

    def __init__(self, level):
        self._level = level
        self._handler = None

    def value(self):
        return self._level

    def handle(self, handler):
        self._handler = handler

    def become(self, level):
        changed = level != self._level
        self._level = level
        if changed and self._handler is not None:
            self._handler(self)


class _BridgeClock:
    """The clock line of a bridge amplifier, with the converter that hangs on it."""

    def __init__(self):
        self.data = None
        self._level = 0
        self._bits = 0
        self._pulses = 0
        self._conversion_waits = False
        bench.bridges.append(self)

    def value(self, level):
        if level and not self._level:
            self._pulse()
        self._level = level

    def convert(self, value):
        bench.unread += self._conversion_waits
        self._conversion_waits = True
        self._bits = value & 0xFFFFFF
        self._pulses = 0
        self.data.become(0)

    def _pulse(self):
        self._pulses += 1
        if self._pulses <= 24:
            self.data.become(self._bits >> (24 - self._pulses) & 1)
        else:
            self._conversion_waits = False
            self.data.become(1)


class _Uart:
    """A pseudo-terminal's end."""

    def __init__(self, descriptor):
        self._port = open(descriptor, "r+b")
        self._readable = select.poll()
        self._readable.register(self._port, select.POLLIN)
        self._writable = select.poll()
        self._writable.register(self._port, select.POLLOUT)

    def read(self):
        # Who is late would answer a question with an uptime beyond readings that are to come.
        if bench.is_late or bench.start_us is None or not self._readable.poll(0):
            return None
        heard = b""
        while self._readable.poll(0):
            heard += self._port.read(1)  # of more it would wait for all
        return heard

    def write(self, data):
        return self._port.write(data) if self._writable.poll(0) else None


bench = _Bench()


def ticks_us():
    return (START_TICKS + bench.now_us()) % TICKS_PERIOD


def quiet():
    return None


def loud(held):
    pass


def boot_mark():
    return hexlify(urandom(4)).decode()


def input_pin(number, *, pull_up=False):
    if number not in bench.pins:
        bench.pins[number] = _Pin(1 if pull_up else 0)
    pin = bench.pins[number]
    if bench.bridges and bench.bridges[-1].data is None:
        bench.bridges[-1].data = pin  # a bridge's data pin is asked for after its clock
        pin.become(1)
    return pin


def output_pin(number):
    return _BridgeClock()


def on_edges(pin, handler):
    pin.handle(handler)


def every(period_ms, handler):
    bench.timers.append(handler)


def open_uart(settings):
    return _Uart(int(sys.argv[5]))


def open_socket(settings):
    return open_connection(settings)


def restart(problem):
    sys.print_exception(problem)
    sys.exit(1)


rest = bench.rest
