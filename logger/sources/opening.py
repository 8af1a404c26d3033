"""From the rig file's ``[[source]]`` tables to sources, and all of them into one run."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from logger.errors import SourceUnavailable
from logger.readings.rig_file import RigFile
from logger.readings.rig_file import Source as SourceTable
from logger.sources.arrival import Clock, Put, Source
from logger.sources.broker_client import BrokerSession, broker_at
from logger.sources.mqtt_topic import MqttTopic
from logger.sources.quiet_port import quiet_limit_s
from logger.sources.serial_line import SerialLine


def open_sources(
    rig: RigFile, *, environment: Mapping[str, str] | None = None, purpose: str = ""
) -> tuple[Source, ...]:
    """The sources of a rig, none of them started.

    Args:
        rig: the rig file.
        environment: where passwords are; the process's own where None.
        purpose: marks the session at a broker of a program other than the recorder, such as
            ``check``, so that it does not throw a recorder at work out of its session.
    """
    about = _About(rig=rig, environment=environment, mark=f"-{purpose}" if purpose else "")
    return tuple(_OPENERS[source.kind](source, about) for source in rig.source)


def recorder_sessions(rig: RigFile) -> tuple[BrokerSession, ...]:
    """The sessions at brokers that the sources of a rig have in a recorder."""
    return tuple(
        BrokerSession(
            where=f"source {source.id!r}",
            broker=broker_at(source.url or ""),
            client_id=_client_id(rig, source),
        )
        for source in rig.source
        if source.kind == "mqtt"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _About:
    """What a source is opened with besides its table."""

    rig: RigFile
    environment: Mapping[str, str] | None
    mark: str


def _serial(source: SourceTable, about: _About) -> Source:
    return SerialLine(source, quiet_s=quiet_limit_s(about.rig, source.id), crc_demanded=source.crc)


def _mqtt(source: SourceTable, about: _About) -> Source:
    client_id = f"{_client_id(about.rig, source)}{about.mark}"
    return MqttTopic(source, client_id=client_id, environment=about.environment)


def _client_id(rig: RigFile, source: SourceTable) -> str:
    return f"slewtrace-{rig.rig.id}-{source.id}"


def _modbus(source: SourceTable, about: _About) -> Source:
    # pymodbus takes a quarter of a second to load, which rigs without registers need not pay.
    from logger.sources.modbus_poller import ModbusPoller  # noqa: PLC0415

    return ModbusPoller(source, quiet_s=quiet_limit_s(about.rig, source.id))


_OPENERS: Mapping[str, Callable[[SourceTable, _About], Source]] = {
    "serial": _serial,
    "mqtt": _mqtt,
    "modbus": _modbus,
}
"""By the kind that stands in the rig file; see ``logger/readings/source_keys.py``."""


def start_sources(sources: Iterable[Source], put: Put, clock: Clock) -> None:
    """Starts all sources, or none; those at a broker last.

    A port lets one program in, so a second recorder is refused there; until then it must not
    have come for the first one's session at a broker.

    Args:
        sources: what ``open_sources`` gave.
        put: takes what they hand over, from a thread for each source.
        clock: the run's clock.

    Raises:
        SourceUnavailable: of the first that can't be started; those before it are stopped.
    """
    started: list[Source] = []
    try:
        for source in sorted(sources, key=_is_at_a_broker):
            source.start(put, clock)
            started.append(source)
    except SourceUnavailable:
        stop_sources(started)
        raise


def _is_at_a_broker(source: Source) -> bool:
    return isinstance(source, MqttTopic)


def stop_sources(sources: Iterable[Source]) -> None:
    """Stops sources, started or not."""
    for source in sources:
        source.stop()
