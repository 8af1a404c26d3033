"""``[method]`` of ``test.toml``: how the test is judged, stated before it begins."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from logger.readings.toml_file import Angle, Length, Table


class Method(Table):
    """The ``[method]`` table: factor, basis and how results are rounded."""

    moment_factor: float = Field(default=1.18, ge=1, le=3)
    basis: str = Field(default="", max_length=500)
    angle_step_deg: Angle = Field(default=1.0, alias="angle_step", gt=0, le=45)
    percent_step: float = Field(default=1, gt=0, le=50)
    tape_step_m: Length = Field(default=0.01, alias="tape_step", gt=0, le=1)
    rule: Literal["guarded", "simple"] = "guarded"
    """Whether the expanded uncertainty is taken off a moment before it is judged."""
    sectors: Literal["single", "steps"] = "single"
    """Beyond a first lift: one reduced sector a side, or one for each hold."""
