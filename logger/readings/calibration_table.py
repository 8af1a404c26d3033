"""What a rig file keeps of a calibration: the coefficients, and where they come from.

A channel's ``calibrated`` table is its certificate in a nutshell: when, against what, by whom,
over which range, how well. It is checked whenever the file is read, so that a record that no
one can believe does not reach a result. The same table goes into the layer that corrects a
sealed run.
"""

from __future__ import annotations

import math
import re
from collections.abc import MutableMapping
from dataclasses import dataclass, field
from typing import Annotated, Any, Self

from pydantic import BeforeValidator, Field, field_validator, model_validator

from logger.readings.quantity import Kind, parse_quantity
from logger.readings.toml_file import Table

LONGEST_REFERENCE = 300
_DAY = re.compile(r"(\d{4})-(\d\d)-(\d\d)", re.ASCII)
_DAYS = (31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)


def check_day(value: str) -> str:
    """A day as ISO 8601 writes it.

    Raises:
        ValueError: for anything else.
    """
    match = _DAY.fullmatch(value)
    year, month, day = (int(part) for part in match.groups()) if match else (0, 0, 0)
    is_leap = year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)
    if not (1 <= month <= 12 and 1 <= day <= _DAYS[month - 1]) or (
        month == 2 and day == 29 and not is_leap
    ):
        raise ValueError(f"{value!r} is no day; write it like '2026-05-04'")
    return value


def _text_of_day(value: object) -> object:
    """TOML has dates of its own, which people write without quotes."""
    return value.isoformat() if hasattr(value, "isoformat") else value


Day = Annotated[str, BeforeValidator(_text_of_day)]


class Calibrated(Table):
    """The ``calibrated`` table of a channel: where its coefficients come from."""

    on: Day
    """The day of the calibration, ``"2026-05-04"``."""
    reference: str = Field(min_length=1, max_length=LONGEST_REFERENCE)
    """What it was calibrated against: weights, tape, sighting, and their certificate."""
    by: str = Field(default="", max_length=LONGEST_REFERENCE)
    u: str | None = None
    """Standard uncertainty of a reading by this calibration, such as ``"0.8 kg"``."""
    range: tuple[str, str] | None = None
    """The least and the greatest value that was applied."""
    points: int | None = Field(default=None, ge=1, le=10_000)
    degree: int | None = Field(default=None, ge=0, le=2)
    residual_sd: str | None = None
    """Scatter of the points about the fit, as a value with its unit."""
    due: Day | None = None
    """The day by which it is to be done again."""

    @field_validator("on", "due")
    @classmethod
    def _is_a_day(cls, value: str | None) -> str | None:
        return None if value is None else check_day(value)

    @model_validator(mode="after")
    def _is_in_order(self) -> Self:
        if self.due is not None and self.due < self.on:
            raise ValueError(f"due = {self.due!r} is before on = {self.on!r}")
        return self

    def check(self, kind: Kind) -> None:
        """Refuses quantities that are not of the channel's kind.

        Raises:
            ValueError: naming the key.
        """
        for key, text in (("u", self.u), ("residual_sd", self.residual_sd)):
            if text is not None and _quantity(key, text, kind) < 0:
                raise ValueError(f"calibrated: {key} = {text!r} is negative")
        if self.range is not None:
            low, high = (_quantity("range", text, kind) for text in self.range)
            if not low < high:
                raise ValueError(f"calibrated: range = {list(self.range)} does not rise")

    def range_si(self, kind: Kind) -> tuple[float, float] | None:
        """The calibrated range, SI (deg for angles), or None where it is not told."""
        if self.range is None:
            return None
        low, high = (parse_quantity(text, kind) for text in self.range)
        return low, high


def _quantity(key: str, text: str, kind: Kind) -> float:
    try:
        return parse_quantity(text, kind)
    except ValueError as exc:
        raise ValueError(f"calibrated: {key} = {text!r} won't do: {exc}") from exc


@dataclass(frozen=True, slots=True, kw_only=True)
class NewCalibration:
    """A calibration to put into a channel's table.

    Attributes:
        unit: unit of the calibrated value.
        coefficients: d₀, d₁ … of value = Σ dᵢ · rawⁱ.
        u: standard uncertainty of a reading with its unit, or None to leave the channel's.
        wraps_at: raw counts after which the sensor starts again, or None to leave it.
        calibrated: the ``calibrated`` table.
    """

    unit: str
    coefficients: tuple[float, ...]
    u: str | None = None
    wraps_at: float | None = None
    calibrated: dict[str, Any] = field(default_factory=dict)

    def put_into(self, channel: MutableMapping[str, Any]) -> None:
        """Writes it into a channel's table, in place of what calibrated it before.

        Args:
            channel: the table as TOML readers give it.
        """
        if channel.get("unit") != self.unit:
            channel["unit"] = self.unit
        if len(self.coefficients) == 2:
            channel.pop("polynomial", None)
            channel["offset"], channel["scale"] = self.coefficients
        else:
            channel.pop("scale", None)
            channel.pop("offset", None)
            channel["polynomial"] = list(self.coefficients)
        if self.wraps_at is not None and channel.get("wraps_at") != self.wraps_at:
            whole = float(self.wraps_at).is_integer()
            channel["wraps_at"] = int(self.wraps_at) if whole else self.wraps_at
        if self.u is not None:
            channel["u"] = self.u
        if self.calibrated:
            channel["calibrated"] = dict(self.calibrated)
        else:
            channel.pop("calibrated", None)

    def toml_lines(self) -> list[str]:
        """Lines to copy into the channel's table by hand."""
        table: dict[str, Any] = {}
        self.put_into(table)
        record = table.pop("calibrated", {})
        lines = [line for key, value in table.items() for line in _toml_lines(key, value)]
        return lines + [f"calibrated.{key} = {_toml(value)}" for key, value in record.items()]


def _toml_lines(key: str, value: object) -> list[str]:
    if not isinstance(value, list):
        return [f"{key} = {_toml(value)}"]
    return [f"{key} = [", *(f"  {_toml(v)}," for v in value), "]"]


def _toml(value: object) -> str:
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return repr(value)


def rounded_up(value: float, *, digits: int = 2) -> float:
    """An uncertainty to a few significant digits, never made smaller.

    Args:
        value: at least 0.
        digits: how many digits stay.
    """
    if value == 0:
        return 0.0
    step = 10.0 ** (math.floor(math.log10(value)) - digits + 1)
    # 0.8000000001 of rounding is no reason for 0.81.
    return float(f"{math.ceil(value / step - 1e-6) * step:.{digits}g}")
