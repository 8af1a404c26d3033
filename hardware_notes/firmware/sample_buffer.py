"""What an interrupt writes down until the main loop has time: tick, channel, value.

All room is taken at the start, since an interrupt must not ask for memory. Interrupts of one kind
write, which do not interrupt each other, and the main loop reads; neither waits for the other. When
there is no room the sample is lost and counted, and the node then leaves out a pack number, so that
the recorder sees a gap.
"""

from array import array


class SampleBuffer:
    """A ring of samples.

    Attributes:
        lost: how many found no room so far.

    Args:
        size: samples it holds.
    """

    def __init__(self, size):
        self._size = size + 1  # one place stays empty, which tells full from empty
        self._ticks = array("I", [0] * self._size)
        self._value = array("i", [0] * self._size)
        self._channel = bytearray(self._size)
        self._write = 0
        self._read = 0
        self.lost = 0

    def put(self, channel, ticks, value):
        """Writes a sample down; for interrupts, asks for no memory."""
        after = self._write + 1
        if after == self._size:
            after = 0
        if after == self._read:
            self.lost += 1
            return
        self._channel[self._write] = channel
        self._ticks[self._write] = ticks
        self._value[self._write] = value
        self._write = after

    def __len__(self):
        return (self._write - self._read) % self._size

    @property
    def ticks(self):
        """Tick of the oldest sample, µs."""
        return self._ticks[self._read]

    @property
    def channel(self):
        """Channel of the oldest sample."""
        return self._channel[self._read]

    @property
    def value(self):
        """Value of the oldest sample."""
        return self._value[self._read]

    def drop(self):
        """Forgets the oldest sample, which has been used."""
        after = self._read + 1
        self._read = 0 if after == self._size else after
