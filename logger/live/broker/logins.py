"""Who may do what at a rig's broker: a login for each device, one for the recorder.

A device may write on its own topic and read nothing. The recorder reads all sources' topics and
writes only where the rig file lets it tell others ([alarm], [republish]). Whoever looks at those
has a login that reads them. Pure.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from logger.errors import BadInput
from logger.readings.rig_file import RigFile
from logger.readings.rig_file import Source as SourceTable
from logger.sources.broker_client import Broker, broker_at

RECORDER, VIEWER, DEVICE = "recorder", "viewer", "device-"


@dataclass(frozen=True, slots=True, kw_only=True)
class Login:
    """One login.

    Attributes:
        name: its name.
        purpose: who has it, in words.
        writes: topics that it may publish on.
        reads: topics that it may read.
    """

    name: str
    purpose: str
    writes: tuple[str, ...] = ()
    reads: tuple[str, ...] = ()


def device_login(source_id: str) -> str:
    """The name of a source's login."""
    return f"{DEVICE}{source_id}"


def sources_at_broker(rig: RigFile, *, name: str) -> tuple[SourceTable, ...]:
    """The rig's sources that come through its one broker.

    Args:
        rig: the rig file.
        name: its name, for errors.

    Raises:
        BadInput: where none does, they have several brokers, or a topic would break the rules.
    """
    sources = tuple(s for s in rig.source if s.kind == "mqtt")
    if not sources:
        raise BadInput(
            where=name,
            what="has no source of kind 'mqtt', so it needs no broker",
            would_do="name the rig file of a bay with a broker",
        )
    brokers = sorted({str(broker_at(s.url or "")) for s in sources})
    if len(brokers) > 1:
        raise BadInput(
            where=name,
            what=f"its sources have {len(brokers)} brokers: {', '.join(brokers)}",
            would_do="one configuration is for one broker: give a rig file for each",
        )
    for topic in _topics(rig):
        _check_topic(topic, name)
    return sources


def logins_of(rig: RigFile) -> tuple[Login, ...]:
    """All logins that a rig needs at its broker, the recorder's first.

    Args:
        rig: the rig file.
    """
    sources = [s for s in rig.source if s.kind == "mqtt"]
    told = tuple(dict.fromkeys(_told(rig)))
    recorder = Login(
        name=RECORDER,
        purpose="the recorder, `check` and whoever else reads the sensors",
        writes=told,
        reads=tuple(dict.fromkeys(s.topic or "" for s in sources)),
    )
    devices = tuple(
        Login(
            name=device_login(s.id),
            purpose=f"the device of source {s.id!r}",
            writes=(s.topic or "",),
        )
        for s in sources
    )
    viewer = Login(name=VIEWER, purpose="lamps, tablets, a lab: who is told", reads=told)
    return (recorder, *devices, *((viewer,) if told else ()))


def broker_of(sources: tuple[SourceTable, ...]) -> Broker:
    """The broker of sources that have the same one."""
    return broker_at(sources[0].url or "")


def _told(rig: RigFile) -> Iterator[str]:
    """Topics on which the recorder tells others."""
    for table in (rig.alarm.mqtt, rig.republish):
        if table is not None:
            yield table.topic


def _topics(rig: RigFile) -> Iterator[str]:
    yield from (s.topic or "" for s in rig.source if s.kind == "mqtt")
    yield from _told(rig)


def _check_topic(topic: str, name: str) -> None:
    """A topic stands in a line of the rules as it is."""
    if not topic.isprintable() or topic != topic.strip() or topic.startswith("$"):
        raise BadInput(
            where=name,
            what=f"the topic {topic[:80]!r} can't stand in a broker's rules",
            would_do="printable characters, no blank at either end and no '$' first",
        )
