"""An MQTT topic: a thread that stamps, decodes and hands over, and acknowledges when told to.

A message of QoS 1 is acknowledged once the recorder says that its readings are on the disk.
Until then the broker keeps it and sends it again after a broken connection, in a session that
outlives connections. At the start of a run the session begins anew: what a broker kept since
an earlier run was taken then, and is not of this run. At its end the session is given up.

When the recorder is behind, the thread first waits a little, which makes the broker wait. When
that does not help, it takes nothing more until there is room, and then connects again, so that
the broker sends all that was not taken, in order.

Messages that came with one read of the connection carry one stamp, and those of them that are
one reading without a count of the device's are handed over together: they differ in nothing
that the recorder could tell apart, and a flood of them costs a tenth so.
"""

from __future__ import annotations

import os
import queue
import threading
import time
from collections import deque
from collections.abc import Mapping
from contextlib import suppress
from functools import partial

from logger.errors import FrameInvalid, SourceUnavailable
from logger.readings.pack import Pack
from logger.readings.rig_file import Source as SourceTable
from logger.sources.arrival import Arrival, Clock, Put
from logger.sources.broker_access import password_of
from logger.sources.broker_client import CONNECT_WITHIN_S
from logger.sources.broker_link import BrokerLink
from logger.sources.broker_retries import LONGEST_RETRY_S, BrokerRetries
from logger.sources.decoding import decoder_of
from logger.sources.deliveries import Deliveries, Delivery
from logger.sources.mqtt_packets import Publication
from logger.sources.outlet import Outlet
from logger.sources.senml_plain import (
    LONG_BYTES,
    PlainRecord,
    bare_reading,
    decode_plain,
    pack_of_bare,
    plain_pack,
    read_plain,
)

PAYLOAD_LIMIT_BYTES = 1 << 20
PATIENCE_S = 1.0
"""How long the broker is made to wait for room before messages are put off."""

_TURN_S = 0.2
_ROOM_CHECK_S = 0.01
_STOP_WITHIN_S = CONNECT_WITHIN_S + 1
_START_WITHIN_S = CONNECT_WITHIN_S + 1
_PUT_OFF = "the recorder was behind and its queue full; the broker is to send them again"


class MqttTopic:
    """A source of frames, one a message, from a topic of a broker.

    Args:
        source: its table in the rig file.
        client_id: the name of our session at the broker; the same at each start, and no other
            program's, or the two would throw each other out.
        environment: where the password is; the process's own where None.
    """

    def __init__(
        self,
        source: SourceTable,
        *,
        client_id: str,
        environment: Mapping[str, str] | None = None,
    ) -> None:
        self._source = source
        self._client_id = client_id
        self._environment = os.environ if environment is None else environment
        self._reception: _Reception | None = None

    @property
    def id(self) -> str:
        """Id of the source in the rig file."""
        return self._source.id

    def start(self, put: Put, clock: Clock) -> None:
        """Joins the broker and begins to hand over; returns once the topic is subscribed.

        Raises:
            SourceUnavailable: where the broker can't be used.
        """
        reception = _Reception(
            self._source,
            client_id=self._client_id,
            password=password_of(
                self._source, self._environment, where=f"source {self._source.id!r}"
            ),
            outlet=Outlet(self.id, put, clock, overflow=_PUT_OFF),
        )
        reception.start()
        self._reception = reception

    def stop(self) -> None:
        """Gives the session up and ends the thread."""
        if self._reception is not None:
            self._reception.stop()
            self._reception = None


class _BareReadings:
    """Readings of one read that are handed over together, and what they are acknowledged by."""

    def __init__(self) -> None:
        self.clear()

    def clear(self) -> None:
        self.names: list[str] = []
        self.values: list[float] = []
        self.deliveries: list[Delivery] = []

    def add(self, reading: tuple[str, float], delivery: Delivery | None) -> None:
        name, value = reading
        self.names.append(name)
        self.values.append(value)
        if delivery is not None:
            self.deliveries.append(delivery)


class _Reception:
    """What runs between start and stop; all but ``start`` and ``stop`` in its own thread."""

    def __init__(
        self, source: SourceTable, *, client_id: str, password: str | None, outlet: Outlet
    ) -> None:
        self._id = source.id
        self._client_id = client_id
        self._outlet = outlet
        self._decode = decoder_of(source)
        self._senml = source.decode == "senml"
        self._link = BrokerLink(
            source,
            client_id=client_id,
            password=password,
            on_connected=self._connected,
            on_messages=self._take_all,
        )
        self._retries = BrokerRetries()
        self._deliveries = Deliveries()
        self._safe: deque[Delivery] = deque()
        self._putting_off = False
        self._stopping = threading.Event()
        self._joined: queue.Queue[SourceUnavailable | None] = queue.Queue()
        self._thread = threading.Thread(target=self._run, name=f"mqtt {source.id}", daemon=True)

    def start(self) -> None:
        self._thread.start()
        try:
            failure = self._joined.get(timeout=_START_WITHIN_S)
        except queue.Empty:
            self._stopping.set()
            failure = SourceUnavailable(
                where=f"source {self._id!r}",
                what=f"no answer from {self._link.broker} within {_START_WITHIN_S:g} s",
                would_do="see that the host's name is right and the network up",
            )
        if failure is not None:
            raise failure

    def stop(self) -> None:
        self._stopping.set()
        self._link.wake()
        self._thread.join(_STOP_WITHIN_S)

    def _run(self) -> None:
        try:
            self._link.join()
        except SourceUnavailable as exc:
            self._link.leave()
            self._joined.put(exc)
            return
        self._retries.joined(time.monotonic())
        self._joined.put(None)
        while not self._stopping.is_set():
            alive = self._link.turn(_TURN_S)
            self._acknowledge_safe()
            has_room = self._outlet.flush()
            if not alive:
                self._retries.ended(time.monotonic(), taken=self._link.is_taken)
                self._outlet.note("lost", self._loss())
                self._rejoin(self._retries.wait_s())
            elif self._putting_off and has_room:
                self._rejoin(0.0)
        self._acknowledge_safe()
        self._link.leave()
        self._outlet.flush(at_once=True)

    def _rejoin(self, wait_s: float) -> None:
        """Connects again, however often it takes, unless it is time to stop."""
        self._deliveries.lost()
        while not self._stops_within(wait_s):
            self._outlet.flush()
            with suppress(OSError, SourceUnavailable):
                resumed = self._link.rejoin()
                self._retries.joined(time.monotonic())
                kept = "and kept what came" if resumed else "and kept nothing of what came"
                self._outlet.note("back", f"the broker at {self._link.broker} is back {kept}")
                return
            self._retries.ended(time.monotonic(), taken=self._link.is_taken)
            wait_s = self._retries.wait_s()

    def _stops_within(self, wait_s: float) -> bool:
        """Waits, and hands over what there is room for; whether it is time to stop."""
        while wait_s > LONGEST_RETRY_S:
            if self._stopping.wait(LONGEST_RETRY_S):
                return True
            self._outlet.flush()
            wait_s -= LONGEST_RETRY_S
        return self._stopping.wait(wait_s)

    def _loss(self) -> str:
        broker, session = self._link.broker, f"our session {self._client_id!r}"
        if self._link.is_taken:
            return f"another client has taken {session} at {broker}"
        if self._retries.is_disputed:
            return (
                f"the broker at {broker} lets us in and ends the connection at once, again and "
                f"again: another client seems to have taken {session}"
            )
        return f"the broker at {broker} is gone"

    def _connected(self, resumed: bool) -> None:  # noqa: FBT001 - a callback's one argument
        self._deliveries.connected(resumed=resumed)
        self._putting_off = False

    def _take_all(self, publications: list[Publication]) -> None:
        arrival_ns = self._outlet.clock()
        bare = _BareReadings()
        for publication in publications:
            delivery = None
            if publication.mid:
                delivery, new = self._deliveries.coming(
                    publication.mid, publication.payload, again=publication.again
                )
                if not new:
                    if delivery.safe:
                        self._acknowledge(delivery)
                    continue
            records = self._usual_records(publication.payload)
            reading = None if records is None or publication.retained else bare_reading(records)
            if reading is not None:
                bare.add(reading, delivery)
                continue
            self._hand_over_bare(bare, arrival_ns)
            self._take(publication, records, delivery, arrival_ns)
        self._hand_over_bare(bare, arrival_ns)

    def _hand_over_bare(self, bare: _BareReadings, arrival_ns: int) -> None:
        if bare.names:
            pack = pack_of_bare(bare.names, bare.values)
            self._hand_over(pack, bare.deliveries, arrival_ns)
            bare.clear()

    def _take(
        self,
        publication: Publication,
        records: list[PlainRecord] | None,
        delivery: Delivery | None,
        arrival_ns: int,
    ) -> None:
        if records is not None:
            pack = plain_pack(records)
        else:
            is_long = self._senml and LONG_BYTES < len(publication.payload) <= PAYLOAD_LIMIT_BYTES
            pack = decode_plain(publication.payload) if is_long else None
        if pack is None:
            pack = self._decoded(publication.payload)
        if pack is not None:
            deliveries = [] if delivery is None else [delivery]
            self._hand_over(pack, deliveries, arrival_ns, retained=publication.retained)
        elif delivery is not None:
            self._acknowledge(delivery)  # it would be no better the next time

    def _hand_over(
        self, pack: Pack, deliveries: list[Delivery], arrival_ns: int, *, retained: bool = False
    ) -> None:
        arrival = Arrival(
            source=self._id,
            pack=pack,
            arrival_ns=arrival_ns,
            retained=retained,
            acknowledge=partial(self._are_safe, deliveries) if deliveries else None,
        )
        if not self._handed_over(arrival) and deliveries:
            for delivery in deliveries:
                self._deliveries.refused(delivery)
            self._putting_off = True

    def _usual_records(self, payload: bytes) -> list[PlainRecord] | None:
        usual = self._senml and len(payload) <= LONG_BYTES  # longer ones hold many readings
        return read_plain(payload) if usual else None

    def _decoded(self, payload: bytes) -> Pack | None:
        if len(payload) > PAYLOAD_LIMIT_BYTES:
            self._outlet.bad_frame(f"a message of {len(payload)} bytes")
            return None
        try:
            return self._decode(payload.rstrip(b"\r\n"))
        except FrameInvalid as exc:
            self._outlet.bad_frame(str(exc))
            return None

    def _handed_over(self, arrival: Arrival) -> bool:
        deadline_s = time.monotonic() + PATIENCE_S
        while not self._putting_off and not self._stopping.is_set():
            if self._outlet.offer(arrival):
                return True
            if time.monotonic() > deadline_s:
                break
            time.sleep(_ROOM_CHECK_S)
        self._outlet.count_lost(len(arrival.pack.names))
        return False

    def _are_safe(self, deliveries: list[Delivery]) -> None:
        """Called by the recorder's thread once the readings are on the disk."""
        self._safe.extend(deliveries)
        self._link.wake()

    def _acknowledge_safe(self) -> None:
        while self._safe:
            delivery = self._safe.popleft()
            if self._deliveries.safe(delivery):
                self._acknowledge(delivery)

    def _acknowledge(self, delivery: Delivery) -> None:
        self._link.acknowledge(delivery.mid)
        self._deliveries.acknowledged(delivery)
