"""``[[source.register]]``: a register of a Modbus device, and how its bits make a number.

Addresses are those of the protocol: they count from 0 in each of the four tables. Manuals often
number registers from 1 with the table as a first digit (40001 is the first holding register);
such a number is a valid address too, of another register, so it is taken as it stands and
pointed out where the device refuses it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, Self, TypeAlias
from urllib.parse import urlsplit

from pydantic import Field, field_validator, model_validator

from logger.readings.source_keys import has_good_port
from logger.readings.toml_file import Table

RegisterSpace: TypeAlias = Literal["holding", "input", "coil", "discrete"]
RegisterType: TypeAlias = Literal["int16", "uint16", "int32", "uint32", "float32", "bool"]

LAST_ADDRESS = 65_535
LAST_SERIAL_DEVICE = 247
"""Modbus over serial line 1.02, 2.2: 0 is for broadcasts, 248 to 255 are reserved."""
_WORDS = {"int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "float32": 2, "bool": 1}
_SINGLE_BITS = ("coil", "discrete")
_FIRST_DIGIT = {"0": "coil", "1": "discrete", "3": "input", "4": "holding"}


class Register(Table):
    """One ``[[source.register]]``."""

    name: str = Field(min_length=1, max_length=200)
    table: RegisterSpace
    address: int = Field(ge=0, strict=True)
    type: RegisterType | None = None
    word_order: Literal["high_first", "low_first"] | None = None
    """Which word of two comes first; the bytes of a word always come high first."""
    bit: int | None = Field(default=None, ge=0, le=15, strict=True)
    """Which bit of a word a ``bool`` is, 0 the lowest."""
    device: int = Field(default=1, ge=0, le=255, strict=True)

    @model_validator(mode="before")
    @classmethod
    def _scale_stands_elsewhere(cls, keys: object) -> object:
        if isinstance(keys, dict) and (known := keys.keys() & {"scale", "offset", "unit"}):
            raise ValueError(
                f"{min(known)!r} belongs to the [[channel]] that names this register: "
                "the raw value is kept as the device sent it"
            )
        return keys

    @field_validator("address")
    @classmethod
    def _in_its_table(cls, value: int) -> int:
        if value > LAST_ADDRESS:
            hint = manual_number_hint(value)
            raise ValueError(f"addresses go from 0 to {LAST_ADDRESS}{'; ' if hint else ''}{hint}")
        return value

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.table in _SINGLE_BITS:
            if self.type not in (None, "bool") or self.bit is not None:
                raise ValueError(f"a {self.table} is one bit: leave 'type' and 'bit' out")
        elif self.type is None:
            raise ValueError("needs 'type': int16, uint16, int32, uint32, float32 or bool")
        elif (self.type == "bool") != (self.bit is not None):
            raise ValueError(
                "'bit' and type = \"bool\" go together: which of a word's bits 0 to 15"
            )
        if self.word_order is not None and self.words != 2:
            raise ValueError("'word_order' goes with a type of two words: int32, uint32, float32")
        if self.address + self.words - 1 > LAST_ADDRESS:
            raise ValueError(f"its second word would be beyond address {LAST_ADDRESS}")
        return self

    @property
    def words(self) -> int:
        """How many addresses it takes: words, or 1 for a single bit."""
        return 1 if self.type is None else _WORDS[self.type]


def manual_number_hint(number: int) -> str:
    """What a register number of a manual's style is as an address; empty for other numbers.

    Args:
        number: such as 40001 or 400001, the first holding register.
    """
    digits = str(number)
    space = _FIRST_DIGIT.get(digits[0])
    if len(digits) not in (5, 6) or space is None or int(digits[1:]) == 0:
        return ""
    return (
        f"addresses count from 0: what a manual numbers {number} is mostly "
        f'table = "{space}", address = {int(digits[1:]) - 1}'
    )


def check_polling(registers: Sequence[Register], *, url: str | None) -> None:
    """Refuses registers that can't be polled together, and what is no device's address.

    Args:
        registers: of one source.
        url: where its device is on a network; None on a serial line.

    Raises:
        ValueError: in words for the person who wrote it.
    """
    names = [r.name for r in registers]
    twice = next((n for n in names if names.count(n) > 1), None)
    if twice is not None:
        raise ValueError(f"register {twice!r} is there twice; names must differ")
    if url is not None:
        _check_url(url)
        return
    for register in registers:
        if not 1 <= register.device <= LAST_SERIAL_DEVICE:
            raise ValueError(
                f"register {register.name!r} has device {register.device}; "
                f"on a serial line they go from 1 to {LAST_SERIAL_DEVICE}"
            )


def _check_url(url: str) -> None:
    parts = urlsplit(url)
    more = parts.path or parts.query or parts.fragment or parts.username or parts.password
    if parts.scheme != "modbus" or not parts.hostname or more or not has_good_port(url):
        raise ValueError(f"{url!r} is no Modbus device; write it like 'modbus://192.168.1.50:502'")
