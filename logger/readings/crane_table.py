"""``[crane]`` of ``test.toml``: what its maker says it may do, and its geometry."""

from __future__ import annotations

from pydantic import Field

from logger.readings.toml_file import PLAUSIBLE_TEXT, Moment, Table


class Crane(Table):
    """The ``[crane]`` table."""

    id: str = Field(default="", max_length=PLAUSIBLE_TEXT)
    rated_moment_nm: Moment = Field(alias="rated_moment", gt=0)
