"""``[load]`` of ``test.toml``: all that hangs below the boom tip."""

from __future__ import annotations

import math
from typing import Self

from pydantic import Field, model_validator

from logger.readings.toml_file import PLAUSIBLE_TEXT, Mass, Table


class Part(Table):
    """One weight that hangs below the boom tip."""

    name: str = Field(min_length=1, max_length=PLAUSIBLE_TEXT)
    mass_kg: Mass = Field(alias="mass", gt=0)
    u_kg: Mass = Field(default=0.0, alias="u", ge=0)
    """Standard uncertainty of the mass."""
    scale: str = Field(default="", max_length=PLAUSIBLE_TEXT)
    """What it was weighed on; parts with the same text here share that scale's error."""
    certificate: str = Field(default="", max_length=PLAUSIBLE_TEXT)
    """Where mass and uncertainty are written down."""


class Load(Table):
    """The ``[load]`` table: the test load."""

    parts: tuple[Part, ...] = Field(min_length=1)
    above_cell_kg: Mass = Field(default=0.0, alias="above_cell", ge=0)
    above_cell_u_kg: Mass | None = Field(default=None, alias="above_cell_u", ge=0)
    """Standard uncertainty of what hangs above the cell."""

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
        """Standard uncertainty of that, kg: parts weighed on one scale err together."""
        together: dict[str, float] = {}
        for number, part in enumerate(self.parts):
            # A line break stands in no scale's name that a person writes.
            scale = part.scale or f"\n{number}"
            together[scale] = together.get(scale, 0.0) + part.u_kg
        return math.hypot(*together.values())
