"""From a source's registers to as few questions as will do, and from answers to numbers.

Registers that touch each other in one table of one device are read together: one exchange, one
time. What lies between two that don't touch is never read, since a device may refuse the whole
question for an address that it does not have.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

from logger.readings.register_table import Register, RegisterSpace

MOST_WORDS = 125
MOST_BITS = 2000
"""In one question (Modbus application protocol 1.1b3, 6.1 to 6.4)."""

FUNCTION_OF: dict[RegisterSpace, int] = {"coil": 1, "discrete": 2, "holding": 3, "input": 4}
_LAYOUT = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """A stretch of one table of one device, and the registers in it.

    Attributes:
        device: the device's number.
        table: which of its tables.
        address: first address, from 0.
        count: how many addresses.
        registers: what is in it.
    """

    device: int
    table: RegisterSpace
    address: int
    count: int
    registers: tuple[Register, ...]

    @property
    def function(self) -> int:
        """The protocol's function code."""
        return FUNCTION_OF[self.table]

    @property
    def is_of_bits(self) -> bool:
        """Whether an address is a single bit."""
        return self.table in ("coil", "discrete")

    def __str__(self) -> str:
        last = self.address + self.count - 1
        places = f"{self.address}" if self.count == 1 else f"{self.address} to {last}"
        return f"device {self.device}, {self.table} {places}"

    def values(self, answer: Sequence[int]) -> list[tuple[str, float]]:
        """Name and value of each register, NaN where a float says so.

        Args:
            answer: words or bits, ``count`` of them.
        """
        return [
            (r.name, _value(r, answer[r.address - self.address :][: r.words]))
            for r in self.registers
        ]


def questions_of(registers: Sequence[Register]) -> tuple[Question, ...]:
    """The questions that read all registers, by device, table and address."""
    found: list[Question] = []
    ordered = sorted(registers, key=lambda r: (r.device, r.table, r.address, r.words))
    for (device, table), same in groupby(ordered, key=lambda r: (r.device, r.table)):
        most = MOST_BITS if table in ("coil", "discrete") else MOST_WORDS
        stretch: list[Register] = []
        for register in same:
            if stretch and not _fits(stretch, register, most):
                found.append(_question(device, table, stretch))
                stretch = []
            stretch.append(register)
        found.append(_question(device, table, stretch))
    return tuple(found)


def _fits(stretch: Sequence[Register], register: Register, most: int) -> bool:
    end = max(_end(r) for r in stretch)
    return register.address <= end and _end(register) - stretch[0].address <= most


def _end(register: Register) -> int:
    return register.address + register.words


def _question(device: int, table: RegisterSpace, stretch: Sequence[Register]) -> Question:
    first = stretch[0].address
    return Question(
        device=device,
        table=table,
        address=first,
        count=max(_end(r) for r in stretch) - first,
        registers=tuple(stretch),
    )


def _value(register: Register, answer: Sequence[int]) -> float:
    if register.bit is not None:
        return float(answer[0] >> register.bit & 1)
    if register.type is None or register.type == "bool":
        return float(answer[0])
    words = answer[::-1] if register.word_order == "low_first" else answer
    (value,) = struct.unpack(_LAYOUT[register.type], struct.pack(f">{len(words)}H", *words))
    return float(value)
