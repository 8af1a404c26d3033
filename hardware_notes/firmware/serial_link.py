"""Packs to a serial line, each with its CRC-32, and the recorder's questions from it.

A line acknowledges nothing: a pack counts as delivered once the port has taken its last byte. The
recorder may ask ``up? 17`` for the uptime, and the node answers with a pack that takes its turn.
"""

from senml_pack import checksum_text

LONGEST_QUESTION = 40


class SerialLink:
    """A serial line in both directions.

    Args:
        ring: the packs that are to go out.
        uart: the open port; ``write`` and ``read`` do not wait.
        longest: bytes of the longest pack.
    """

    def __init__(self, ring, uart, longest):
        self._ring = ring
        self._uart = uart
        self._out = bytearray(longest + 11)
        self._view = memoryview(self._out)
        self._out_from = 0
        self._out_to = 0
        self._is_under_way = False
        self._heard = bytearray()
        self._question = None

    def turn(self, _now_us):
        """Does what can be done now."""
        self._listen()
        while self._flush() and self._begin_line():
            pass

    def question(self):
        """The number of the newest question, told once; else None."""
        number, self._question = self._question, None
        return number

    def _listen(self):
        heard = self._uart.read()
        for byte in heard or b"":
            if byte in b"\r\n":
                self._take(bytes(self._heard))
                self._heard = bytearray()
            elif len(self._heard) < LONGEST_QUESTION:
                self._heard.append(byte)

    def _take(self, line):
        number = question_number(line)
        if number is not None:
            self._question = number

    def _begin_line(self):
        pack = self._ring.next()
        if pack is None:
            return False
        text = pack[1]
        end = len(text)
        self._out[:end] = text
        ending = checksum_text(text) + b"\r\n"
        self._out[end : end + len(ending)] = ending
        self._out_from, self._out_to = 0, end + len(ending)
        self._is_under_way = True
        self._ring.mark_sent()
        return True

    def _flush(self):
        while self._out_from < self._out_to:
            count = self._uart.write(self._view[self._out_from : self._out_to])
            if not count:
                return False
            self._out_from += count
        if self._is_under_way:
            self._ring.acknowledge(lambda _seq: True)
            self._is_under_way = False
        return True


def question_number(line):
    """The number of the question ``up? 17``, or None where the line is none."""
    words = line.split()
    if len(words) == 2 and words[0] == b"up?" and words[1].isdigit():
        return int(words[1])
    return None
