"""The node: what its sensors say becomes packs, and a link carries them to the recorder.

Interrupts and timers write samples down, each with its tick. The main loop gathers them, closes a
pack when it is due or full, hands it to the ring, and gives the link its turn. ``board`` is the
only part that touches hardware, so everything here also runs on a desk.
"""

from bridge import Bridge
from contacts import Contacts, EdgeReadings
from mqtt_link import MqttLink
from pack_ring import PackRing
from quadrature import Encoder
from sample_buffer import SampleBuffer
from senml_pack import PackWriter, answer_pack
from serial_link import SerialLink
from uptime import Uptime

HURRY_US = 10000
"""A pack that tells of a contact in motion waits no longer than this."""
MOTION_US = 150000
"""So long after an edge a contact counts as in motion: the recorder waits for it to stay open."""


class Node:
    """One board with its sensors and its link.

    Args:
        board: pins, timers, ticks, ports.
        config: what is wired, and where packs go.
    """

    def __init__(self, board, config):
        self._board = board
        self._boot = board.boot_mark()
        self._seq = 0
        self._lost = 0
        self._uptime = Uptime(board.ticks_us(), board.TICKS_PERIOD)
        self._pack_us = config.PACK_MS * 1000
        self._due_us = self._pack_us
        self._motion_until_us = 0
        self._edges = SampleBuffer(config.EDGES)
        self._samples = SampleBuffer(config.SAMPLES)
        names, contacts = self._wire(config)
        self._pack = PackWriter(names, contacts, self._boot, config.READINGS_IN_PACK)
        longest = len(self._pack.text)
        self._ring = PackRing(config.RING_BYTES, config.RING_PACKS)
        if config.LINK == "mqtt":
            self._link = MqttLink(self._ring, config.MQTT, board.open_socket, longest)
        else:
            self._link = SerialLink(self._ring, board.open_uart(config.UART), longest)

    def _wire(self, config):
        """Puts every sensor on its pins.

        Returns:
            Names of the channels, and which channels are contacts.
        """
        board, names = self._board, []

        def channel(name):
            names.append(name)
            return len(names) - 1

        for entry in config.ENCODERS:
            own, fault = channel(entry["name"]), channel(entry["name"] + "_slips")
            Encoder(board, entry, own, fault, self._samples)
        self._bridges = []
        for entry in config.BRIDGES:
            own, fault = channel(entry["name"]), channel(entry["name"] + "_beyond")
            self._bridges.append(Bridge(board, entry, own, fault))
        first = len(names)
        self._first_contact = first
        for entry in config.CONTACTS:
            channel(entry["name"])
        count = len(config.CONTACTS)
        self._states = EdgeReadings(
            first, count, config.EDGE_LATE_US, self._uptime.between, board.TICKS_PERIOD
        )
        if count:
            Contacts(
                board,
                config.CONTACTS,
                first_channel=first,
                closed_level=config.CLOSED_LEVEL,
                rate_hz=config.CONTACT_RATE_HZ,
                edges=self._edges,
                samples=self._samples,
            )
        return names, range(first, first + count)

    def turn(self):
        """One round of the main loop."""
        now_us = self._uptime.of(self._board.ticks_us())
        self._gather(now_us)
        self._read_bridges()
        if len(self._pack) and now_us >= self._due_us:
            self._close()
        self._count_losses()
        self._link.turn(now_us)
        number = self._link.question()
        if number is not None:
            self._answer(number)
            self._link.turn(now_us)

    def _gather(self, now_us):
        """Takes what interrupts and timers wrote down, in the order of time."""
        samples, edges = self._samples, self._edges
        while len(samples) or len(edges):
            is_edge = not len(samples) or (
                len(edges) and self._uptime.between(edges.ticks, samples.ticks) >= 0
            )
            if is_edge:
                self._take_edge(edges.channel, edges.ticks, edges.value)
                edges.drop()
                self._motion_until_us = now_us + MOTION_US
            else:
                if samples.channel >= self._first_contact:
                    self._states.take(samples.channel, samples.ticks, samples.value)
                self._add(samples.channel, samples.ticks, samples.value)
                samples.drop()
            if now_us < self._motion_until_us:
                self._due_us = min(self._due_us, now_us + HURRY_US)

    def _take_edge(self, channel, ticks, value):
        certain = self._states.old_state_ticks(channel, ticks, value)
        if certain is not None:
            self._add(channel, certain, not value)
        self._add(channel, ticks, value)

    def _read_bridges(self):
        for bridge in self._bridges:
            beyond = bridge.beyond
            value = bridge.read()
            if value is not None:
                self._add(bridge.channel, bridge.ready_ticks, value)
            elif bridge.beyond != beyond:
                self._add(bridge.fault_channel, bridge.ready_ticks, bridge.beyond)

    def _add(self, channel, ticks, value):
        if self._pack.is_full:
            self._close()
        self._pack.add(channel, self._uptime.of(ticks), value)

    def _close(self):
        length = self._pack.write(self._seq)
        self._ring.push(self._pack.text, length, self._seq)
        self._seq += 1
        self._due_us = self._uptime.of(self._board.ticks_us()) + self._pack_us

    def _count_losses(self):
        """Leaves a pack number out where samples found no room, so that the gap shows."""
        lost = self._samples.lost + self._edges.lost
        if lost != self._lost:
            self._lost = lost
            self._seq += 1

    def _answer(self, number):
        up_us = self._uptime.of(self._board.ticks_us())
        answer = answer_pack(self._seq, self._boot, up_us, number)
        self._ring.push(answer, len(answer), self._seq)
        self._seq += 1
