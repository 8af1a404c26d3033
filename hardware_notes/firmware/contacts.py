"""Contact switches under the tyres: every edge with its time, and the state again and again.

Nothing is smoothed here: a contact bounces, and the recorder decides what is a lift. The state is
repeated also when nothing changes, since silence can't be told from a tyre on the ground.

An edge gives two readings. The new state at the moment of the interrupt; and before it the old
state, at a moment for which that is certain: an interrupt may come late, by ``late_us`` at most.
So the recorder knows to a millisecond when the tyre left the ground, whatever the repeats.
"""


class Contacts:
    """All contact switches of a node.

    Args:
        board: gives pins, ticks and timers.
        entries: their entries in the configuration.
        first_channel: channel of the first one; the others follow.
        closed_level: level of a pin whose contact is closed, 0 or 1.
        rate_hz: repeats of each state a second.
        edges: the buffer that the pins' interrupts write to.
        samples: the buffer that the timer writes to.
    """

    def __init__(self, board, entries, *, first_channel, closed_level, rate_hz, edges, samples):
        self._ticks_us = board.ticks_us
        self._closed_level = closed_level
        self._first_channel = first_channel
        self._samples = samples
        self._edges = edges
        self._pins = [board.input_pin(entry["pin"], pull_up=True) for entry in entries]
        for i, pin in enumerate(self._pins):
            board.on_edges(pin, self._noting(first_channel + i))
        board.every(1000 // rate_hz, self._repeat)

    def _noting(self, channel):
        """The interrupt of one pin, made once, so that it asks for no memory."""
        ticks_us = self._ticks_us
        put = self._edges.put
        closed_level = self._closed_level

        def note(pin):
            put(channel, ticks_us(), pin.value() == closed_level)

        return note

    def _repeat(self, _timer):
        ticks = self._ticks_us()
        channel = self._first_channel
        for pin in self._pins:
            self._samples.put(channel, ticks, pin.value() == self._closed_level)
            channel += 1


class EdgeReadings:
    """Makes readings of edges and repeats, in the order of their time.

    Args:
        first_channel: channel of the first contact.
        contacts: how many there are.
        late_us: how late an interrupt may be, µs.
        between: microseconds from one tick to another.
        period: counts in a turn of the tick counter.
    """

    def __init__(self, first_channel, contacts, late_us, between, period):
        self._first_channel = first_channel
        self._late_us = late_us
        self._between = between
        self._period = period
        self._state = [None] * contacts
        self._ticks = [0] * contacts

    def old_state_ticks(self, channel, ticks, value):
        """Takes an edge.

        Returns:
            The tick at which the contact was certainly still as before, or None where an earlier
            reading says as much or nothing is known.
        """
        i = channel - self._first_channel
        before, newest = self._state[i], self._ticks[i]
        self.take(channel, ticks, value)
        if before is None or before == value:
            return None
        certain = (ticks - self._late_us) % self._period
        return certain if self._between(newest, certain) > 0 else None

    def take(self, channel, ticks, value):
        """Takes a repeat of the state."""
        i = channel - self._first_channel
        self._state[i] = value
        self._ticks[i] = ticks
