"""``test.toml``: what is tested."""

from __future__ import annotations

from pydantic import Field, field_validator

from logger.errors import FileInvalid
from logger.readings.crane_table import Crane
from logger.readings.load_table import Load
from logger.readings.method_table import Method
from logger.readings.model_table import TruckModel
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
