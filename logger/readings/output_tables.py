"""``[alarm]`` and ``[republish]`` of a rig file: where what the recorder knows goes to."""

from __future__ import annotations

from typing import Self

from pydantic import Field, field_validator, model_validator

from logger.readings.source_keys import check_broker_url, check_login_keys
from logger.readings.toml_file import Table


class BrokerTopic(Table):
    """A topic of a broker that the recorder publishes on."""

    url: str
    topic: str = Field(min_length=1, pattern=r"^[^+#\x00]+$")
    user: str | None = None
    password_env: str | None = None
    password_file: str | None = None
    ca: str | None = None

    @field_validator("url")
    @classmethod
    def _is_a_broker(cls, value: str) -> str:
        check_broker_url(value)
        return value

    @model_validator(mode="after")
    def _one_password(self) -> Self:
        check_login_keys(self.model_fields_set)
        return self


class Beacon(Table):
    """A serial line to a lamp or horn that listens for the recorder's state."""

    port: str = Field(min_length=1)
    baud: int = Field(default=9600, ge=300, le=12_000_000)


class AlarmOutputs(Table):
    """The ``[alarm]`` table: where alarms go besides the terminal."""

    mqtt: BrokerTopic | None = None
    beacon: Beacon | None = None
    command: tuple[str, ...] = ()
    """Program and arguments to run when an alarm becomes active; no shell."""
