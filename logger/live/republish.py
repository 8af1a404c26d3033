"""What is recorded goes on to a broker, for a tablet or a lab: from the journal, in order.

A thread of its own follows the journal and publishes each block of samples that is durable as
one SenML pack with QoS 1, calibrated, in SI, with UTC. After an outage it catches up from where
the broker's last acknowledgement left it; the journal is the store, so nothing piles up in
memory. The packs carry ``seq`` (the block's number), ``boot`` (the run) and ``up`` (the run's
clock), so another recorder can take them in and count what is missing.
"""

from __future__ import annotations

import asyncio
import json
import logging
import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from math import radians
from pathlib import Path
from typing import Any

import aiomqtt
import numpy as np

from logger.errors import StorageFailed
from logger.live.announcing import OnEvent
from logger.operating_system import run_on_sockets
from logger.readings.output_tables import BrokerTopic
from logger.readings.polled_clock import LiveAlignment, alignment_of
from logger.readings.quantity import Kind
from logger.readings.rig_file import Channel, RigFile
from logger.recording.following import JournalFollower
from logger.recording.journal import RUN_CLOCK, ClockedBlock
from logger.sources.broker_access import password_of, tls_trusting
from logger.sources.broker_client import broker_at

IN_FLIGHT = 40
SAMPLES_AT_ONCE = 20_000
LOOK_EVERY_S = 0.05
FIRST_RETRY_S = 0.2
LONGEST_RETRY_S = 5.0
NOT_CONNECTED_S = 0.5
CATCH_UP_S = 5.0
"""How long the end of a run waits for what the broker has not got yet."""

_SENML_UNITS = {Kind.ANGLE: "rad", Kind.MASS: "kg", Kind.LENGTH: "m", Kind.SPEED: "m/s"}
"""Registered units (RFC 8428, 12.1), so angles go in radians."""


def republisher_of(rig: RigFile, tell: OnEvent) -> Republisher | None:
    """What publishes for a rig; None where the rig names no place.

    Args:
        rig: the rig file.
        tell: told when the broker is lost, back, or left behind at the end; from any thread.

    Raises:
        SourceUnavailable: where the password's variable is not set or ``ca`` is no certificate.
    """
    return None if rig.republish is None else Republisher(rig, rig.republish, tell)


@contextmanager
def republishing(republisher: Republisher | None, journal: Path) -> Iterator[None]:
    """Publishes what a journal gets while the context lasts.

    Args:
        republisher: what publishes, or None.
        journal: the run's journal.
    """
    if republisher is None:
        yield
        return
    republisher.start(journal)
    try:
        yield
    finally:
        republisher.close(within_s=CATCH_UP_S)


class Republisher:
    """The thread that follows a journal and publishes it."""

    def __init__(self, rig: RigFile, place: BrokerTopic, tell: OnEvent) -> None:
        self._packs = PackMaker(rig)
        self._rig_id = rig.rig.id
        self._place = place
        self._is_connected = False
        self._tell = tell
        self._password = password_of(place, os.environ, where="[republish]")
        broker = broker_at(place.url)
        self._tls = tls_trusting(place.ca, where="[republish]") if broker.tls else None
        self._broker = broker
        self._acknowledged_seq = 0
        self._give_up = threading.Event()
        self._ending = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self, journal: Path) -> None:
        """Follows a journal from now on; the broker need not be there yet."""
        self._thread = threading.Thread(
            target=self._run, args=(journal,), name="republish", daemon=True
        )
        self._thread.start()

    def close(self, *, within_s: float) -> None:
        """Lets the broker have what it has not got, for so long, and ends the thread."""
        if self._thread is None:
            return
        self._ending.set()
        self._thread.join(within_s if self._is_connected else NOT_CONNECTED_S)
        self._give_up.set()
        self._thread.join(1.0)

    def _run(self, journal: Path) -> None:
        with JournalFollower(journal) as follower:
            run_on_sockets(self._connect_and_forward(follower))
            behind = _blocks_after(follower, self._acknowledged_seq)
        if behind:
            self._tell({"event": "republish", "state": "behind", "blocks": behind})

    async def _connect_and_forward(self, follower: JournalFollower) -> None:
        wait_s, connected = FIRST_RETRY_S, True
        while not self._give_up.is_set():
            try:
                async with self._client() as client:
                    self._is_connected = True
                    self._tell({"event": "republish", "state": "connected"})
                    wait_s, connected = FIRST_RETRY_S, True
                    await self._forward(client, follower)
                    return
            except (aiomqtt.MqttError, OSError, StorageFailed) as exc:
                self._is_connected = False
                if connected:
                    self._tell({"event": "republish", "state": "lost", "text": str(exc)})
                connected = False
            for _ in range(max(1, round(wait_s / LOOK_EVERY_S))):
                if self._give_up.is_set():
                    return
                await asyncio.sleep(LOOK_EVERY_S)
            wait_s = min(wait_s * 2, LONGEST_RETRY_S)

    def _client(self) -> aiomqtt.Client:
        return aiomqtt.Client(
            self._broker.host,
            self._broker.port,
            identifier=f"slewtrace-{self._rig_id}-republish",
            username=self._place.user,
            password=self._password,
            tls_context=self._tls,
            timeout=5.0,
            logger=_silent_log(),
        )

    async def _forward(self, client: aiomqtt.Client, follower: JournalFollower) -> None:
        """Publishes until the run has ended and all is with the broker."""
        while not self._give_up.is_set():
            ending = self._ending.is_set()
            rows = follower.blocks_after(self._acknowledged_seq, limit_samples=SAMPLES_AT_ONCE)
            if not rows:
                if ending:
                    return
                await asyncio.sleep(LOOK_EVERY_S)
                continue
            self._packs.take_clocks(follower)
            for start in range(0, len(rows), IN_FLIGHT):
                part = rows[start : start + IN_FLIGHT]
                await asyncio.gather(
                    *(
                        client.publish(self._place.topic, self._packs.pack(seq, block), qos=1)
                        for seq, block in part
                    )
                )
                self._acknowledged_seq = part[-1][0]


def _silent_log() -> logging.Logger:
    """A log for the client that nobody reads: what matters is told as events."""
    log = logging.getLogger(f"{__name__}.client")
    log.propagate = False
    if not log.handlers:
        log.addHandler(logging.NullHandler())
    return log


def _blocks_after(follower: JournalFollower, seq: int) -> int:
    """How many blocks follow one; few at a time are in memory."""
    latest = seq
    while rows := follower.blocks_after(latest, limit_samples=SAMPLES_AT_ONCE):
        latest = rows[-1][0]
    return latest - seq


class PackMaker:
    """Makes SenML packs of blocks of a journal.

    Args:
        rig: the rig file, for names, calibrations and units.
    """

    def __init__(self, rig: RigFile) -> None:
        self._channels = {c.id: c for c in rig.channel}
        self._base = f"{rig.rig.id}/"
        self._alignments: dict[str, LiveAlignment] = {}
        self._pairs_seen = 0
        self._utc_start_ns = 0
        self._run_id = ""

    def take_clocks(self, follower: JournalFollower) -> None:
        """Takes what ties device clocks to the run's, and the run's to UTC."""
        if not self._run_id:
            self._run_id = follower.header.run_id
        if not self._utc_start_ns and (pairs := follower.wall_pairs()):
            t_ns, utc_ns = pairs[0]
            self._utc_start_ns = utc_ns - t_ns
        for row, clock, pair in follower.pairs_after(self._pairs_seen):
            alignment = self._alignments.get(clock)
            if alignment is None:
                rate = follower.header.clock_rate
                alignment = self._alignments[clock] = alignment_of(clock, clock_rate=rate)
            alignment.add(pair)
            self._pairs_seen = row

    def pack(self, seq: int, block: ClockedBlock) -> bytes:
        """One block as a SenML pack (RFC 8428).

        Args:
            seq: the block's number in the run.
            block: the block.
        """
        t_ns = block.t_ns
        if block.clock != RUN_CLOCK and block.clock in self._alignments:
            t_ns = self._alignments[block.clock].to_run(t_ns)
        channel = self._channels[block.channel]
        base_ns = int(t_ns[0])
        first: dict[str, Any] = {
            "bn": self._base,
            "bt": (self._utc_start_ns + base_ns) / 1e9,
            "seq": seq,
            "boot": self._run_id[-64:],
            "up": int(t_ns.max()) / 1e9,
        }
        values, unit = _values_of(channel, block)
        if unit:
            first["bu"] = unit
        records = [
            {"n": channel.id, "t": (int(t) - base_ns) / 1e9, **value}
            for t, value in zip(t_ns, values, strict=True)
        ]
        records[0] = first | records[0]
        return json.dumps(records, separators=(",", ":")).encode()


def _values_of(channel: Channel, block: ClockedBlock) -> tuple[list[dict[str, Any]], str]:
    """Values as SenML fields, and their unit; a contact is true with the tyre on the ground."""
    if channel.is_wheel:
        return [{"vb": bool(v == channel.closed_value)} for v in block.value], ""
    value = channel.calibration.apply(block.value)
    if channel.kind is Kind.ANGLE:
        value = np.asarray(value) * radians(1.0)
    unit = _SENML_UNITS.get(channel.kind, "")
    # A reading that is no number can't stand in JSON.
    return [{"v": float(v)} if np.isfinite(v) else {"vs": "no number"} for v in value], unit
