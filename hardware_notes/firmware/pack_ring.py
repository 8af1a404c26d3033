"""Packs that wait to be sent or to be acknowledged, oldest first, in memory taken once.

A pack stays until ``acknowledge`` names it. Where a new one finds no room, the oldest goes and is
counted in ``dropped``; its ``seq`` is then missing, and the recorder reports the gap.
"""

from array import array


class PackRing:
    """A queue of packs.

    Attributes:
        dropped: packs that had to go before they were acknowledged.

    Args:
        size: bytes for packs.
        most: packs.
    """

    def __init__(self, size, most):
        self._bytes = bytearray(size)
        self._view = memoryview(self._bytes)
        self._size = size
        self._most = most
        self._start = array("I", [0] * most)
        self._length = array("I", [0] * most)
        self._seq = array("I", [0] * most)
        self._done = bytearray(most)
        self._first = 0  # slot of the oldest
        self._count = 0
        self._head = 0  # byte after the newest
        self._sent = 0  # of the oldest ones, how many went out on this connection
        self._ever_sent = 0  # of the oldest ones, how many went out at all
        self.dropped = 0

    def __len__(self):
        return self._count

    def push(self, text, length, seq):
        """Keeps a pack; drops the oldest ones where that makes the room.

        Args:
            text: its bytes at the start of a buffer.
            length: how many of them.
            seq: its count.
        """
        if length > self._size:
            self.dropped += 1
            return
        start = self._room(length)
        while start is None or self._count == self._most:
            self.dropped += not self._done[self._first]
            self._forget_oldest()
            start = self._room(length)
        slot = self._slot(self._count)
        self._bytes[start : start + length] = memoryview(text)[:length]
        self._start[slot] = start
        self._length[slot] = length
        self._seq[slot] = seq
        self._done[slot] = 0
        self._count += 1
        self._head = start + length

    def next(self):
        """The oldest pack that this connection has not seen, or None.

        Returns:
            Its count, its bytes (a view, valid until the next ``push``), and whether it has been
            sent before.
        """
        if self._sent == self._count:
            return None
        slot = self._slot(self._sent)
        start = self._start[slot]
        again = self._sent < self._ever_sent
        return self._seq[slot], self._view[start : start + self._length[slot]], again

    def mark_sent(self):
        """Notes that what ``next`` gave is on its way."""
        self._sent += 1
        self._ever_sent = max(self._ever_sent, self._sent)

    @property
    def in_flight(self):
        """Packs sent on this connection and not acknowledged."""
        return sum(not self._done[self._slot(i)] for i in range(self._sent))

    def acknowledge(self, is_it):
        """Forgets the pack that has arrived.

        Args:
            is_it: tells from a count whether it is this pack.
        """
        for i in range(self._sent):
            slot = self._slot(i)
            if not self._done[slot] and is_it(self._seq[slot]):
                self._done[slot] = 1
                break
        while self._count and self._done[self._first]:
            self._forget_oldest()

    def send_again(self):
        """After a lost connection: all that was not acknowledged is to be sent once more."""
        self._sent = 0

    def _slot(self, place):
        return (self._first + place) % self._most

    def _forget_oldest(self):
        self._done[self._first] = 0
        self._first = self._slot(1)
        self._count -= 1
        self._sent = max(0, self._sent - 1)
        self._ever_sent = max(0, self._ever_sent - 1)

    def _room(self, length):
        """Where so many bytes fit in one piece, or None."""
        if not self._count:
            return 0
        tail = self._start[self._first]
        if self._head <= tail:
            return self._head if tail - self._head >= length else None
        if self._size - self._head >= length:
            return self._head
        return 0 if tail >= length else None
