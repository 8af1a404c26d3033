"""``[model]`` of ``test.toml``: the truck as a rigid frame on one-sided springs."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, field_validator

from logger.readings.toml_file import Length, Mass, Stiffness, Table


class PointMass(Table):
    """A mass fixed to the truck, at x and y in the vehicle frame."""

    name: str = ""
    mass_kg: Mass = Field(alias="mass", gt=0)
    at_m: tuple[Length, Length] = Field(alias="at")


class SlewingMass(Table):
    """A mass that turns with the boom, its centre at a radius along the boom."""

    name: str = ""
    mass_kg: Mass = Field(alias="mass", gt=0)
    radius_m: Length = Field(alias="radius")


class Support(Table):
    """A one-sided spring under the frame."""

    name: str = Field(min_length=1)
    kind: Literal["wheel", "outrigger"]
    at_m: tuple[Length, Length] = Field(alias="at")
    stiffness_npm: Stiffness = Field(alias="stiffness", gt=0)
    preload_m: Length = Field(default=0.0, alias="preload")


class TruckModel(Table):
    """The ``[model]`` table: the truck as a rigid frame on one-sided springs."""

    column_m: tuple[Length, Length] = Field(alias="column")
    masses: tuple[PointMass, ...] = Field(min_length=1)
    slewing: tuple[SlewingMass, ...] = ()
    supports: tuple[Support, ...] = Field(min_length=3)

    @field_validator("supports")
    @classmethod
    def _stand_apart(cls, value: tuple[Support, ...]) -> tuple[Support, ...]:
        if len({s.name for s in value}) < len(value):
            raise ValueError("two supports have one name")
        (x0, y0), (x1, y1) = value[0].at_m, value[1].at_m
        if all(
            abs((x1 - x0) * (s.at_m[1] - y0) - (y1 - y0) * (s.at_m[0] - x0)) < 1e-9 for s in value
        ):
            raise ValueError("the supports lie on one line; the frame would fall over")
        return value
