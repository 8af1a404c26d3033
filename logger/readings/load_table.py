"""``[load]`` of ``test.toml``: all that hangs below the boom tip."""

from __future__ import annotations

from typing import Self

from pydantic import Field, model_validator

from logger.readings.toml_file import PLAUSIBLE_TEXT, Mass, Table


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
