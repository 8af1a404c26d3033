"""A bridge amplifier for a load cell, of the kind with two wires: clock and data.

How such a converter talks (see the data sheet of yours): it pulls *data* low when a conversion is
ready. The board then sends 24 pulses on *clock*, and reads one bit after each, highest first: a
whole number in two's complement. One to three pulses more choose input and gain of the next
conversion; after them *data* is high until that is ready. A clock that stays high for longer than
some 60 µs puts the converter to sleep, so no interrupt may come within a pulse.

At either end of its range the converter tells the end and not the load. Such a reading is left out
and counted: an old load on the screen, marked as stale, is better than a wrong one.
"""

BITS = 24
HIGHEST = 0x7FFFFF
LOWEST = -0x800000


def read_bits(clock, data, extra_pulses, quiet, loud):
    """Reads a conversion that is ready.

    Args:
        clock: pin to the converter.
        data: pin from the converter.
        extra_pulses: 1 to 3, input and gain of the next conversion.
        quiet: holds interrupts off and returns what ``loud`` needs.
        loud: lets them in again.

    Returns:
        The conversion, −8388608 to 8388607.
    """
    bits = 0
    for _ in range(BITS):
        _pulse(clock, quiet, loud)
        bits = bits * 2 + data.value()
    for _ in range(extra_pulses):
        _pulse(clock, quiet, loud)
    return two_complement(bits)


def _pulse(clock, quiet, loud):
    held = quiet()
    clock.value(1)
    clock.value(0)
    loud(held)


def two_complement(bits):
    """The number that 24 bits stand for."""
    return bits - 0x1000000 if bits & 0x800000 else bits


class Bridge:
    """A bridge amplifier on its pins.

    Args:
        board: gives pins, ticks and interrupts.
        entry: its entry in the configuration.
        channel: where its readings go.
        fault_channel: where the count of readings beyond the range goes when it has changed.
    """

    def __init__(self, board, entry, channel, fault_channel):
        self.channel = channel
        self.fault_channel = fault_channel
        self.beyond = 0
        self.ready_ticks = 0
        self._board = board
        self._extra_pulses = entry["extra_pulses"]
        self._clock = board.output_pin(entry["clock"])
        self._clock.value(0)
        self._data = board.input_pin(entry["data"], pull_up=True)  # a cut wire is never ready
        self._is_ready = False
        board.on_edges(self._data, self._on_edge)

    def _on_edge(self, pin):
        if not pin.value():
            self.ready_ticks = self._board.ticks_us()
            self._is_ready = True

    def read(self):
        """The newest conversion, or None where none is ready or it lies beyond the range.

        One whose moment nobody saw, as may be at the start, is read so that the next can come,
        and left out.
        """
        if self._data.value():
            return None
        is_dated, ticks = self._is_ready, self.ready_ticks
        board = self._board
        value = read_bits(self._clock, self._data, self._extra_pulses, board.quiet, board.loud)
        # The bits have fallen too, and each fall looked like a conversion.
        self._is_ready, self.ready_ticks = False, ticks
        if not is_dated:
            return None
        if LOWEST < value < HIGHEST:
            return value
        self.beyond += 1
        return None
