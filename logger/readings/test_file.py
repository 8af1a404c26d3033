"""``test.toml``: what is tested."""

from __future__ import annotations

from typing import Self

from pydantic import Field, field_validator, model_validator

from logger.errors import FileInvalid
from logger.readings.crane_table import Crane
from logger.readings.load_table import Load
from logger.readings.method_presets import unit_proof_load_kg
from logger.readings.method_table import Method, needs_rated_load
from logger.readings.model_table import TruckModel
from logger.readings.record_table import Record
from logger.readings.rig_file import Identifier, RigFile
from logger.readings.toml_file import PLAUSIBLE_TEXT, Angle, Table, read_toml
from logger.readings.watched_limits import Watch


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
    build: str = Field(default="", max_length=PLAUSIBLE_TEXT)
    """As it was built when it was tested; a name that changes whenever the truck is changed."""
    wheels: tuple[str, ...] = Field(min_length=2)
    slew_limit_right_deg: Angle = Field(default=180.0, alias="slew_limit_right", gt=0, le=180)
    slew_limit_left_deg: Angle = Field(default=180.0, alias="slew_limit_left", gt=0, le=180)

    @field_validator("wheels")
    @classmethod
    def _differ(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        if len(set(value)) < len(value):
            raise ValueError("a wheel is named twice")
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
    record: Record = Record()
    """What a report of the test asks for that no sensor tells."""

    @model_validator(mode="after")
    def _moment_factor_of_the_method(self) -> Self:
        """Works out the moment factor where the method states it through the crane's rating."""
        key = needs_rated_load(self.method)
        if not key:
            return self
        factor = _moment_factor(self.crane, self.method, key)
        return self.model_copy(
            update={"method": self.method.model_copy(update={"moment_factor": factor})}
        )


def _moment_factor(crane: Crane, method: Method, key: str) -> float:
    """Required moment over rated moment, for methods that start from the rated load."""
    if crane.rated_load_kg is None or crane.rated_radius_m is None:
        raise ValueError(f"[method] {key} needs 'rated_load' and 'rated_radius' in [crane]")
    if method.load_factor is None:
        return unit_proof_load_kg(crane.rated_load_kg) / crane.rated_load_kg
    if method.boom_share and crane.boom_tip_mass_kg is None:
        raise ValueError("[method] boom_share needs 'boom_tip_mass' in [crane]")
    boom_kg = method.boom_share * (crane.boom_tip_mass_kg or 0.0)
    return method.load_factor + boom_kg / crane.rated_load_kg


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
