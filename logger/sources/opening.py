"""From the rig file's ``[[source]]`` tables to sources, and all of them into one run."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from logger.errors import SourceUnavailable
from logger.readings.rig_file import RigFile
from logger.sources.arrival import Clock, Put, Source
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
    mark = f"-{purpose}" if purpose else ""
    return tuple(
        SerialLine(source, quiet_s=quiet_limit_s(rig, source.id), crc_demanded=source.crc)
        if source.kind == "serial"
        else MqttTopic(
            source,
            client_id=f"slewtrace-{rig.rig.id}-{source.id}{mark}",
            environment=environment,
        )
        for source in rig.source
    )


def start_sources(sources: Iterable[Source], put: Put, clock: Clock) -> None:
    """Starts all sources, or none.

    Args:
        sources: what ``open_sources`` gave.
        put: takes what they hand over, from a thread for each source.
        clock: the run's clock.

    Raises:
        SourceUnavailable: of the first that can't be started; those before it are stopped.
    """
    started: list[Source] = []
    try:
        for source in sources:
            source.start(put, clock)
            started.append(source)
    except SourceUnavailable:
        stop_sources(started)
        raise


def stop_sources(sources: Iterable[Source]) -> None:
    """Stops sources, started or not."""
    for source in sources:
        source.stop()
