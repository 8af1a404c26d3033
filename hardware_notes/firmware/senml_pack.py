"""Readings in, a SenML pack out (RFC 8428): an array of records as JSON.

The first record carries three labels for the recorder: ``seq`` counts packs, ``boot`` changes at
each start, ``up`` is the uptime at the pack's newest reading. All times count back from there. A
channel's name is given once, as base name before its readings.

Room for readings and text is taken once. A pack that is full is closed; nothing grows.
"""

from array import array
from binascii import crc32

from uptime import seconds_text

_RECORD_BYTES = 48  # {"v":-8388608,"t":-9.999999}, with its comma and some more
_HEAD_BYTES = 96  # labels of the first record


class PackWriter:
    """Gathers readings and writes them as a pack.

    Attributes:
        text: where the pack's bytes are, once it is written.

    Args:
        names: name of each channel, as the rig file has it.
        contacts: channels whose readings are contacts, true where closed.
        boot: mark of this start.
        most: readings in a pack.
    """

    def __init__(self, names, contacts, boot, most):
        self._names = names
        self._contacts = contacts
        self._boot = boot
        self._channel = bytearray(most)
        self._up_us = array("q", [0] * most)
        self._value = array("i", [0] * most)
        self._most = most
        self._count = 0
        names_bytes = sum(len(name) + 8 for name in names)
        self.text = bytearray(_HEAD_BYTES + names_bytes + _RECORD_BYTES * most)
        self._length = 0

    def __len__(self):
        return self._count

    @property
    def is_full(self):
        """Whether another reading has no room."""
        return self._count == self._most

    def add(self, channel, up_us, value):
        """Takes a reading; there must be room.

        Args:
            channel: which one.
            up_us: uptime when it was taken, µs.
            value: a whole number.
        """
        i = self._count
        self._channel[i] = channel
        self._up_us[i] = up_us
        self._value[i] = value
        self._count = i + 1

    def write(self, seq):
        """Writes what was gathered into ``text`` and begins anew.

        Args:
            seq: the pack's count.

        Returns:
            How many bytes of ``text`` the pack has.
        """
        newest_us = max(self._up_us[i] for i in range(self._count))
        head = f'"seq":{seq},"boot":"{self._boot}","up":{seconds_text(newest_us)},'
        self._length = 0
        before = "["
        for channel in range(len(self._names)):
            name = f'"bn":"{self._names[channel]}",'
            for i in range(self._count):
                if self._channel[i] == channel:
                    ago_us = newest_us - self._up_us[i]
                    time = f',"t":-{seconds_text(ago_us)}' if ago_us else ""
                    self._put(f"{before}{{{head}{name}{self._reading(channel, i)}{time}}}")
                    before, head, name = ",", "", ""
        self._put("]")
        self._count = 0
        return self._length

    def _reading(self, channel, i):
        if channel in self._contacts:
            return '"vb":true' if self._value[i] else '"vb":false'
        return f'"v":{self._value[i]}'

    def _put(self, text):
        end = self._length + len(text)
        self.text[self._length : end] = text.encode()
        self._length = end


def answer_pack(seq, boot, up_us, number):
    """The answer to the recorder's question for the uptime.

    Args:
        seq: the pack's count.
        boot: mark of this start.
        up_us: uptime now, µs.
        number: the question's number.
    """
    up = seconds_text(up_us)
    return f'[{{"seq":{seq},"boot":"{boot}","up":{up},"reply":{number}}}]'.encode()


def checksum_text(pack):
    """What follows a pack on a serial line: a space and its CRC-32 as 8 hex digits."""
    return f" {crc32(pack) & 0xFFFFFFFF:08x}".encode()
