"""Where alarms go besides the terminal: the outputs of the rig file's ``[alarm]`` table.

Each is driven by a thread of its own (``announcing.Listener``) and may wait a little. One that
can't be opened refuses the recording, in one line: nobody would notice later that no lamp is
listening. Once open, it finds its way back by itself and reports what it lost.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from typing import Protocol

from logger.errors import SourceUnavailable
from logger.live.alarm_command import AlarmCommand
from logger.live.alarm_topic import WHERE, AlarmTopic
from logger.live.alarm_view import AlarmView
from logger.live.announcing import Event, OnEvent, Output
from logger.live.beacon import SerialBeacon
from logger.live.output_reports import OutputReports
from logger.readings.rig_file import RigFile
from logger.sources.broker_client import BrokerSession, broker_at


class AlarmOutput(Output, Protocol):
    """An output that must be opened first."""

    def open(self) -> None:
        """Opens it.

        Raises:
            SourceUnavailable: where it can't be opened.
        """


def open_alarm_outputs(
    rig: RigFile,
    *,
    report: OnEvent | None = None,
    alive: Callable[[], bool] | None = None,
    environment: Mapping[str, str] | None = None,
) -> tuple[tuple[str, AlarmOutput], ...]:
    """Opens all outputs of a rig, or none.

    Args:
        rig: the rig file.
        report: told of outputs that are lost and back (``alarm_output`` events), from their
            threads; it must not wait.
        alive: whether the recorder still makes its rounds or seals; where it says no, outputs
            show *unknown*. Asked from their threads.
        environment: where passwords are; the process's own where None.

    Returns:
        The key in the ``[alarm]`` table and the output, for each that is there.

    Raises:
        SourceUnavailable: of the first that can't be opened; those before it are closed.
    """
    outputs = _made(
        rig,
        report=report or _nobody,
        alive=alive or _always,
        environment=os.environ if environment is None else environment,
    )
    opened: list[AlarmOutput] = []
    try:
        for output in outputs.values():
            output.open()
            opened.append(output)
    except SourceUnavailable:
        for output in opened:
            output.close()
        raise
    return tuple(outputs.items())


def alarm_sessions(rig: RigFile) -> tuple[BrokerSession, ...]:
    """The sessions at brokers that the alarm's outputs have: one or none."""
    table = rig.alarm.mqtt
    if table is None:
        return ()
    broker = broker_at(table.url)
    return (BrokerSession(where=WHERE, broker=broker, client_id=_client_id(rig)),)


def _client_id(rig: RigFile) -> str:
    return f"slewtrace-{rig.rig.id}-alarm"


def _made(
    rig: RigFile, *, report: OnEvent, alive: Callable[[], bool], environment: Mapping[str, str]
) -> dict[str, AlarmOutput]:
    table = rig.alarm
    made: dict[str, AlarmOutput] = {}
    if table.command:
        made["command"] = AlarmCommand(
            table.command,
            AlarmView(alive),
            OutputReports("command", report),
            environment=environment,
            secrets=_names_of_secrets(rig),
        )
    if table.beacon is not None:
        made["beacon"] = SerialBeacon(
            table.beacon, AlarmView(alive), OutputReports("beacon", report)
        )
    if table.mqtt is not None:
        made["mqtt"] = AlarmTopic(
            table.mqtt,
            AlarmView(alive),
            OutputReports("mqtt", report),
            client_id=_client_id(rig),
            environment=environment,
        )
    return made


def _names_of_secrets(rig: RigFile) -> frozenset[str]:
    tables = (*rig.source, rig.alarm.mqtt, rig.republish)
    return frozenset(t.password_env for t in tables if t is not None and t.password_env)


def _nobody(_event: Event) -> None:
    """Where no one is told."""


def _always() -> bool:
    return True
