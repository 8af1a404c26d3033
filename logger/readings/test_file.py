"""``test.toml``: what is tested."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, field_validator, model_validator

from logger.errors import FileInvalid
from logger.readings.rig_file import Identifier, RigFile
from logger.readings.toml_file import Angle, Length, Mass, Moment, Stiffness, Table, read_toml
from logger.readings.watched_limits import Watch

PLAUSIBLE_TEXT = 200


class Test(Table):
    """The ``[test]`` table."""

    __test__ = False  # pytest would collect a class of this name

    id: Identifier
    operator: str = Field(default="", max_length=PLAUSIBLE_TEXT)
    engineer: str = Field(default="", max_length=PLAUSIBLE_TEXT)
    witness: str = Field(default="", max_length=PLAUSIBLE_TEXT)
    site: str = Field(default="", max_length=PLAUSIBLE_TEXT)
    notes: str = Field(default="", max_length=2000)


class Truck(Table):
    """The ``[truck]`` table; slew limits are sizes, counted from over the rear."""

    id: str = Field(min_length=1, max_length=PLAUSIBLE_TEXT)
    wheels: tuple[str, ...] = Field(min_length=2)
    slew_limit_right_deg: Angle = Field(default=180.0, alias="slew_limit_right", gt=0, le=180)
    slew_limit_left_deg: Angle = Field(default=180.0, alias="slew_limit_left", gt=0, le=180)

    @field_validator("wheels")
    @classmethod
    def _differ(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        if len(set(value)) < len(value):
            raise ValueError("a wheel is named twice")
        return value


class Crane(Table):
    """The ``[crane]`` table."""

    id: str = Field(default="", max_length=PLAUSIBLE_TEXT)
    rated_moment_nm: Moment = Field(alias="rated_moment", gt=0)


class Part(Table):
    """One weight that hangs below the boom tip."""

    name: str = Field(min_length=1, max_length=PLAUSIBLE_TEXT)
    mass_kg: Mass = Field(alias="mass", gt=0)
    u_kg: Mass = Field(default=0.0, alias="u", ge=0)
    """Standard uncertainty of the mass."""


class Load(Table):
    """The ``[load]`` table: the test load."""

    parts: tuple[Part, ...] = Field(min_length=1)
    above_cell_kg: Mass = Field(default=0.0, alias="above_cell", ge=0)

    @model_validator(mode="after")
    def _less_above_than_in_all(self) -> Self:
        if self.above_cell_kg >= self.mass_kg:
            raise ValueError("'above_cell' is as much as the whole load")
        return self

    @property
    def mass_kg(self) -> float:
        """All that hangs below the boom tip, kg."""
        return sum(p.mass_kg for p in self.parts)

    @property
    def u_kg(self) -> float:
        """Standard uncertainty of that, the parts taken as independent, kg."""
        return float(sum(p.u_kg**2 for p in self.parts) ** 0.5)


class Method(Table):
    """The ``[method]`` table: factor, basis and how results are rounded."""

    moment_factor: float = Field(default=1.18, ge=1, le=3)
    basis: str = Field(default="", max_length=500)
    angle_step_deg: Angle = Field(default=1.0, alias="angle_step", gt=0, le=45)
    percent_step: float = Field(default=1, gt=0, le=50)
    tape_step_m: Length = Field(default=0.01, alias="tape_step", gt=0, le=1)


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


class TestFile(Table):
    """A whole ``test.toml``."""

    __test__ = False

    test: Test
    truck: Truck
    crane: Crane
    load: Load
    method: Method = Method()
    model: TruckModel | None = None
    watch: Watch = Watch()
    """Limits that are alarmed while the test runs."""


def read_test(text: str, *, name: str = "test.toml") -> TestFile:
    """Reads a test file.

    Args:
        text: the file's text.
        name: the file's name, for errors.

    Raises:
        FileInvalid: in one line for the person who wrote it.
    """
    return read_toml(text, model=TestFile, name=name)


def check_wheels_are_wired(rig: RigFile, test: TestFile) -> None:
    """Refuses a test whose truck has a wheel that the rig does not watch.

    Raises:
        FileInvalid: naming the wheel.
    """
    wired = [c.wheel for c in rig.wheels]
    for wheel in test.truck.wheels:
        if wheel not in wired:
            raise FileInvalid(
                where=f"[truck] wheels, {wheel!r}",
                what=f"the rig {rig.rig.id!r} has no channel 'wheel/{wheel}'",
                would_do=f"wire it or name one of: {', '.join(wired) or 'none wired'}",
            )
