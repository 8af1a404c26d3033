"""``[crane]`` of ``test.toml``: what its maker says it may do, and its geometry."""

from __future__ import annotations

from typing import Any, Self

from pydantic import Field, model_validator

from logger.readings.boom_geometry import BoomGeometry
from logger.readings.quantity import STANDARD_GRAVITY_MPS2, Kind, parse_quantity
from logger.readings.toml_file import PLAUSIBLE_TEXT, Length, Mass, Moment, Table

_SAME_RATING = 0.001
"""Relative difference up to which two statements of one rating agree."""


class Crane(Table):
    """The ``[crane]`` table."""

    id: str = Field(default="", max_length=PLAUSIBLE_TEXT)
    rated_load_kg: Mass | None = Field(default=None, alias="rated_load", gt=0)
    """P, allowed at ``rated_radius``."""
    rated_radius_m: Length | None = Field(default=None, alias="rated_radius", gt=0)
    rated_moment_nm: Moment = Field(alias="rated_moment", gt=0)
    """M_r; where it is not written, P · g · R of the rated load and radius."""
    boom_tip_mass_kg: Mass | None = Field(default=None, alias="boom_tip_mass", ge=0)
    """F, mass of the boom referred to its tip."""
    chart: str = Field(default="", max_length=PLAUSIBLE_TEXT)
    """File name of the crane's load chart, beside the test file."""
    reach_m: Length | None = Field(default=None, alias="reach", gt=0)
    """Most radius."""
    tip_height_m: Length | None = Field(default=None, alias="tip_height", gt=0)
    """Boom tip above the ground at the test radius."""
    head_room_m: Length | None = Field(default=None, alias="head_room", ge=0)
    """Least length from the boom tip to the hook: nearer, the block would strike the tip."""
    hanging_height_m: Length | None = Field(default=None, alias="hanging_height", ge=0)
    """From the hook down to the underside of the load: rigging and weights."""
    rope_length_m: Length | None = Field(default=None, alias="rope_length", gt=0)
    """From the boom tip to the middle of the load while it hangs: the pendulum's length."""
    geometry: BoomGeometry | None = None
    """From which the radius is computed where no sensor tells it."""

    @model_validator(mode="before")
    @classmethod
    def _moment_of_the_rated_load(cls, value: Any) -> Any:
        """Writes the rated moment out where the rated load and radius give it."""
        if not isinstance(value, dict) or "rated_moment" in value:
            return value
        load, radius = value.get("rated_load"), value.get("rated_radius")
        if not (isinstance(load, str) and isinstance(radius, str)):
            return value
        try:
            rated_nm = _moment_nm(
                parse_quantity(load, Kind.MASS), parse_quantity(radius, Kind.LENGTH)
            )
        except ValueError:
            return value  # told at the key that is wrong
        return value | {"rated_moment": f"{rated_nm!r} N·m"}

    @model_validator(mode="after")
    def _one_rating(self) -> Self:
        if self.rated_load_kg is None or self.rated_radius_m is None:
            return self
        product_nm = _moment_nm(self.rated_load_kg, self.rated_radius_m)
        if abs(product_nm / self.rated_moment_nm - 1) > _SAME_RATING:
            raise ValueError(
                f"rated_moment is {self.rated_moment_nm / 1000:.5g} kN·m, but rated_load · g · "
                f"rated_radius is {product_nm / 1000:.5g} kN·m; leave one out or correct it"
            )
        return self


def _moment_nm(load_kg: float, radius_m: float) -> float:
    return load_kg * STANDARD_GRAVITY_MPS2 * radius_m
