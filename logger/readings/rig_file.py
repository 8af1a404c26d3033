"""``rig.toml``: what is wired to what."""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal, Self

from pydantic import Field, ValidationInfo, field_validator, model_validator

from logger.readings.calibration import Calibration
from logger.readings.calibration_table import Calibrated
from logger.readings.channel_kinds import CHANNEL_KINDS
from logger.readings.output_tables import AlarmOutputs, BrokerTopic
from logger.readings.quantity import Kind, parse_quantity, unit_factor
from logger.readings.register_table import Register, check_polling
from logger.readings.source_keys import (
    SOURCE_KINDS,
    WIRE_FORMATS,
    check_broker_url,
    check_keys,
)
from logger.readings.text_shapes import check_pattern, check_shape
from logger.readings.toml_file import IDENTIFIER_PATTERN, Duration, Length, Table, read_toml

WHEEL = "wheel/"
MODBUS_BAUD = 19_200
"""What a device speaks if nobody set it otherwise (Modbus over serial line 1.02, 3.2)."""
Identifier = Annotated[str, Field(pattern=IDENTIFIER_PATTERN)]


class Rig(Table):
    """The ``[rig]`` table."""

    id: Identifier


class Source(Table):
    """One ``[[source]]``: a serial line, a broker's topic, or registers that are polled."""

    id: Identifier
    kind: str
    port: str | None = None
    baud: int = Field(default=115_200, ge=300, le=12_000_000)
    """Symbols a second; 19 200 for ``modbus``, as its specification sets it."""
    url: str | None = None
    topic: str | None = None
    user: str | None = None
    password_env: str | None = None
    password_file: str | None = None
    ca: str | None = None
    decode: str = "senml"
    pattern: str | None = None
    """Regular expression with named groups, for ``decode = "text"``."""
    shape: str | None = None
    """Name of a ready-made shape of line, for ``decode = "text"``."""
    good_status: tuple[str, ...] = ()
    """Words of a status that a reading is believed with, for a shape with a status."""
    line_unit: str | None = None
    """The unit that each line must name, for a shape with a unit."""
    line_length: int | None = Field(default=None, ge=1, le=4096)
    """How many characters each line must have, for a shape."""
    decimal: Literal["point", "comma"] = "point"
    """The decimal mark in the lines, for a shape."""
    true_clock: bool = False
    """Whether absolute times that the device sends can be believed."""
    crc: bool = False
    """Whether each SenML line must carry its checksum; once one has, all must in any case."""
    time_exchange: bool = False
    """Whether the device answers a question for its uptime (serial lines with SenML only)."""
    register_: tuple[Register, ...] = Field(default=(), alias="register", max_length=1000)
    """What is polled, for ``kind = "modbus"``, as are the keys that follow."""
    poll_s: Duration = Field(default=0.1, alias="poll", ge=0.001, le=3600)
    """How often all registers are asked for."""
    timeout_s: Duration = Field(default=0.3, alias="timeout", ge=0.01, le=5)
    """How long an answer may take; one that takes longer is no reading."""
    refresh_s: Duration = Field(default=0.0, alias="refresh", ge=0, le=60)
    """How old what stands in a register may be, by the device's manual."""
    parity: Literal["even", "odd", "none"] | None = None
    """None for ``even`` with ``modbus``, as its specification has it, else ``none``."""
    stop_bits: Literal[1, 2] | None = None
    """None for 1, but for 2 with ``modbus`` and no parity: its characters have 11 bits."""
    data_bits: Literal[7, 8] = 8

    @model_validator(mode="before")
    @classmethod
    def _usual_speed(cls, keys: Any) -> Any:
        if isinstance(keys, dict) and keys.get("kind") == "modbus" and "baud" not in keys:
            return keys | {"baud": MODBUS_BAUD}
        return keys

    @field_validator("kind", "decode")
    @classmethod
    def _known(cls, value: str, info: ValidationInfo) -> str:
        known = SOURCE_KINDS if info.field_name == "kind" else WIRE_FORMATS
        if value not in known:
            raise ValueError(f"known here: {', '.join(known)}")
        return value

    @model_validator(mode="after")
    def _whole(self) -> Self:
        check_keys(self.kind, self.decode, self._given())
        if self.kind == "modbus":
            check_polling(self.register_, url=self.url)
        elif self.url is not None:
            check_broker_url(self.url)
        if self.pattern is not None:
            check_pattern(self.pattern)
        if self.shape is not None:
            check_shape(self.shape, status=bool(self.good_status), unit=self.line_unit is not None)
        return self

    def _given(self) -> set[str]:
        """The keys that stand in the file and say something."""
        fields = type(self).model_fields
        return {
            fields[name].alias or name
            for name in self.model_fields_set
            if getattr(self, name) not in (None, False, (), "")
        }


class Channel(Table):
    """One ``[[channel]]``: a named reading of a source and how to calibrate it."""

    id: str
    source: str
    name: str = Field(min_length=1)
    unit: str | None = None
    scale: float = 1.0
    offset: float = 0.0
    polynomial: tuple[float, ...] | None = Field(default=None, min_length=2, max_length=6)
    wraps_at: float | None = Field(default=None, gt=0)
    stale_after_s: Duration | None = Field(default=None, alias="stale_after", gt=0)
    closed_when: bool | float | str | None = None
    on_delay_s: Duration = Field(default=0.05, alias="on_delay", ge=0, le=5)
    """How long a contact must stay open to confirm a lift."""
    off_delay_s: Duration = Field(default=0.02, alias="off_delay", ge=0, le=5)
    """How long a contact must stay closed to end an opening."""
    u: str | None = None
    """Standard uncertainty of a calibrated reading, such as ``"3 mm"``."""
    travel_m: Length = Field(default=0.0, alias="travel", ge=0, le=0.2)
    """How far a tyre may have risen before its contact opens."""
    calibrated: Calibrated | None = None
    """Where the coefficients come from."""

    @field_validator("id")
    @classmethod
    def _known_id(cls, value: str) -> str:
        position = value.removeprefix(WHEEL) if value.startswith(WHEEL) else None
        if value not in CHANNEL_KINDS and not (position and re.fullmatch(r"[\w.-]+", position)):
            known = ", ".join((*CHANNEL_KINDS, "wheel/<position>"))
            raise ValueError(f"channel ids are {known}")
        return value

    @model_validator(mode="after")
    def _fits_its_kind(self) -> Self:
        if self.is_wheel:
            if self.closed_when is None:
                raise ValueError("a wheel needs 'closed_when': the raw value with tyre on ground")
            if self.unit or self.polynomial or self.wraps_at or self.u:
                raise ValueError("a wheel has no unit, polynomial, wraps_at or u")
            return self
        if self.closed_when is not None:
            raise ValueError("'closed_when' belongs to wheels")
        if self.travel_m:
            raise ValueError("'travel' belongs to wheels")
        if self.unit is None:
            raise ValueError(f"needs 'unit', the unit of the calibrated value ({self.kind.value})")
        unit_factor(self.unit, self.kind)
        if self.u is not None and parse_quantity(self.u, self.kind) < 0:
            raise ValueError(f"u = {self.u!r} is negative")
        if self.polynomial and (self.scale != 1.0 or self.offset != 0.0):
            raise ValueError("give either 'polynomial' or 'scale' and 'offset'")
        return self

    @model_validator(mode="after")
    def _calibrated_as_its_kind(self) -> Self:
        if self.calibrated is not None:
            if self.is_wheel:
                raise ValueError("a wheel is not calibrated")
            self.calibrated.check(self.kind)
        return self

    @property
    def is_wheel(self) -> bool:
        """Whether this is a wheel's contact switch."""
        return self.id.startswith(WHEEL)

    @property
    def wheel(self) -> str:
        """The wheel's position, such as ``rear_left``; empty for other channels."""
        return self.id.removeprefix(WHEEL) if self.is_wheel else ""

    @property
    def kind(self) -> Kind:
        """What the channel measures; not for wheels."""
        return CHANNEL_KINDS[self.id].measures

    @property
    def closed_value(self) -> float:
        """The raw number that means tyre on the ground; a text is kept as 1 where it matches."""
        return float(self.closed_when) if isinstance(self.closed_when, bool | float) else 1.0

    @property
    def u_si(self) -> float | None:
        """Declared standard uncertainty of a calibrated reading, SI (deg for angles), or None."""
        return None if self.u is None else parse_quantity(self.u, self.kind)

    @property
    def calibration(self) -> Calibration:
        """The calibration to SI; a wheel's raw value passes unchanged."""
        if self.is_wheel:
            return Calibration()
        return Calibration(
            coefficients=self.polynomial or (self.offset, self.scale),
            to_si=unit_factor(self.unit or "", self.kind),
            wraps_at=self.wraps_at,
        )


class RigFile(Table):
    """A whole ``rig.toml``."""

    rig: Rig
    source: tuple[Source, ...] = Field(min_length=1)
    channel: tuple[Channel, ...] = Field(min_length=1)
    alarm: AlarmOutputs = AlarmOutputs()
    republish: BrokerTopic | None = None
    """Where what is read goes on to, for a tablet or a lab."""

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        sources = [s.id for s in self.source]
        for ids, what in ((sources, "source"), ([c.id for c in self.channel], "channel")):
            twice = next((i for i in ids if ids.count(i) > 1), None)
            if twice is not None:
                raise ValueError(f"{what} {twice!r} is there twice; ids must differ")
        for channel in self.channel:
            if channel.source not in sources:
                raise ValueError(
                    f"channel {channel.id!r} has source {channel.source!r}, "
                    f"which is none of {', '.join(sources)}"
                )
            registers = [r.name for s in self.source if s.id == channel.source for r in s.register_]
            if registers and channel.name not in registers:
                raise ValueError(
                    f"channel {channel.id!r} has name {channel.name!r}, which is no register of "
                    f"source {channel.source!r}: {', '.join(registers[:8])}"
                )
        return self

    def wired(self, channel_id: str) -> Channel | None:
        """The channel of an id, or None where the rig has none."""
        return next((c for c in self.channel if c.id == channel_id), None)

    @property
    def wheels(self) -> tuple[Channel, ...]:
        """The wheels' contact switches, in the file's order."""
        return tuple(c for c in self.channel if c.is_wheel)


def read_rig(text: str, *, name: str = "rig.toml") -> RigFile:
    """Reads a rig file.

    Args:
        text: the file's text.
        name: the file's name, for errors.

    Raises:
        FileInvalid: in one line for the person who wrote it.
    """
    return read_toml(text, model=RigFile, name=name)
