"""Where each source of a run goes when it is played: said by another rig file, or one by one.

A destination is a source's table as a rig file has it, seen from the other end: the port, or the
broker with topic and login, and the wire format. A rig file gives each source that it has by the
same id; else ports and brokers are named, and the rest is as in the run's own rig file.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet
from typing import Any

from pydantic import ValidationError

from logger.errors import BadInput
from logger.readings.rig_file import RigFile
from logger.readings.rig_file import Source as SourceTable
from logger.readings.source_keys import WIRE_FORMATS
from logger.recording.run import Run

BENCH_BAUD = 115_200


def wanted_sources(run: Run, without: Sequence[str]) -> tuple[SourceTable, ...]:
    """The sources of a run that are to be played.

    Args:
        run: the run.
        without: ids of those that are not.

    Raises:
        BadInput: where one of these is not in the run, or nothing is left.
    """
    tables = run.header.rig.source
    known_sources(run, without, option="--without")
    wanted = tuple(t for t in tables if t.id not in without)
    if not wanted:
        raise BadInput(
            where="--without", what="leaves no source to play", would_do="keep one at least"
        )
    return wanted


def known_sources(run: Run, ids: Sequence[str], *, option: str) -> None:
    """Refuses ids that are no sources of a run.

    Raises:
        BadInput: naming those that it has.
    """
    known = [t.id for t in run.header.rig.source]
    for source_id in ids:
        if source_id not in known:
            raise BadInput(
                where=option,
                what=f"{run.path} has no source {source_id!r}",
                would_do=f"it has {', '.join(known)}",
            )


def by_rig(sources: Sequence[SourceTable], rig: RigFile, *, name: str) -> dict[str, SourceTable]:
    """Each source goes where a rig file's source of the same id says.

    Args:
        sources: the sources.
        rig: the rig file.
        name: its name, for errors.

    Raises:
        BadInput: where it lacks one, or has it as something that can't be sent to.
    """
    tables = {t.id: t for t in rig.source}
    for source in sources:
        there = tables.get(source.id)
        if there is None:
            raise BadInput(
                where=name,
                what=f"has no source {source.id!r}, which the run has",
                would_do=f"add it, or leave it out: --without {source.id}",
            )
        _refuse_kind(there, where=f"{name}, source {source.id!r}")
    return {s.id: tables[s.id] for s in sources}


def one_by_one(
    sources: Sequence[SourceTable],
    run: Run,
    *,
    serial: Sequence[str],
    mqtt: Sequence[str],
    topic: Sequence[str],
    senml: AbstractSet[str],
) -> dict[str, SourceTable]:
    """Each source goes where an option says.

    Args:
        sources: the sources.
        run: the run.
        serial: each ``SOURCE=PORT``.
        mqtt: each ``SOURCE=URL``.
        topic: each ``SOURCE=TOPIC``; by default the topic that the source had, or one of ours.
        senml: ids of sources that are sent as packs whatever they spoke.

    Raises:
        BadInput: where an option won't do.
    """
    ports = _pairs(serial, run, option="--serial", value="PORT")
    brokers = _pairs(mqtt, run, option="--mqtt", value="URL")
    topics = _pairs(topic, run, option="--topic", value="TOPIC")
    for source_id in topics.keys() - brokers.keys():
        raise BadInput(
            where="--topic", what=f"{source_id!r} goes to no broker", would_do="add --mqtt for it"
        )
    both = sorted(ports.keys() & brokers.keys())
    if both:
        raise BadInput(
            where="--serial", what=f"{both[0]!r} has --mqtt too", would_do="keep one of the two"
        )
    found = {}
    for source in sources:
        if source.id in ports:
            place: dict[str, Any] = {"kind": "serial", "port": ports[source.id]}
            place["baud"] = source.baud if source.kind == "serial" else BENCH_BAUD
            option = "--serial"
        elif source.id in brokers:
            usual = source.topic or f"rig/{run.header.rig.rig.id}/{source.id}"
            place = {"kind": "mqtt", "url": brokers[source.id]}
            place["topic"] = topics.get(source.id, usual)
            option = "--mqtt"
        else:
            continue
        found[source.id] = _table(source, place, as_packs=source.id in senml, option=option)
    return found


def on_a_bench(source: SourceTable, port: str, *, as_packs: bool) -> SourceTable:
    """A source that goes to a pseudo-terminal."""
    place = {"kind": "serial", "port": port, "baud": BENCH_BAUD}
    return _table(source, place, as_packs=as_packs, option="--bench")


def address_of(table: SourceTable) -> str:
    """Port, or broker and topic, in words."""
    return table.port or f"{table.url} {table.topic}"


def _table(
    source: SourceTable, place: Mapping[str, Any], *, as_packs: bool, option: str
) -> SourceTable:
    """A source's table at another place, with the format that it had, or SenML."""
    spoken: dict[str, Any] = {"decode": "senml"}
    if source.kind == "modbus" and not as_packs:
        raise BadInput(
            where=f"source {source.id!r}",
            what="its registers were polled, so no sensor sent any bytes of its own",
            would_do=f"send it as packs: --senml {source.id}",
        )
    if source.kind != "modbus" and not as_packs and source.decode != "senml":
        spoken = _text_keys(source)
    if place["kind"] == "serial" and spoken["decode"] == "senml":
        spoken["crc"] = True
    if source.true_clock and not as_packs:
        spoken["true_clock"] = True
    try:
        return SourceTable.model_validate({"id": source.id, **place, **spoken})
    except ValidationError as exc:
        words = exc.errors()[0]["msg"].removeprefix("Value error, ")
        raise BadInput(where=f"{option} {source.id}", what=words) from exc


def _text_keys(source: SourceTable) -> dict[str, Any]:
    if source.decode != "text":
        raise BadInput(
            where=f"source {source.id!r}",
            what=f"lines of decode = {source.decode!r} can't be rebuilt from what was recorded",
            would_do=f"send it as packs: --senml {source.id}",
        )
    return source.model_dump(include=set(WIRE_FORMATS["text"].own), exclude_defaults=True) | {
        "decode": "text"
    }


def _refuse_kind(table: SourceTable, *, where: str) -> None:
    if table.kind not in ("serial", "mqtt"):
        raise BadInput(
            where=where,
            what=f"is of kind {table.kind!r}, to which nothing can be sent",
            would_do="a played source goes to a serial line or a broker",
        )


def _pairs(options: Sequence[str], run: Run, *, option: str, value: str) -> dict[str, str]:
    found: dict[str, str] = {}
    for text in options:
        source_id, equals, rest = text.partition("=")
        if not equals or not source_id or not rest:
            raise BadInput(
                where=option, what=f"{text!r} won't do", would_do=f"write it like SOURCE={value}"
            )
        if source_id in found:
            raise BadInput(where=option, what=f"{source_id!r} is there twice", would_do="keep one")
        found[source_id] = rest
    known_sources(run, list(found), option=option)
    return found
