"""The two sensor nodes of the demo: readings in, frames out, each with a clock of its own.

A node packs what it has read in a tenth of a second as SenML JSON (RFC 8428) and sends it as
soon as the newest of it is taken. It knows nothing but its own uptime, which began before the
test at an odd moment and runs a little fast or slow, so the recorder has clocks to align.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from dashboard.demo.scenario import BAUD, WHEELS
from logger.readings.block import Block
from logger.sources.frames import sign

PACK_S = 0.1
BITS_A_BYTE = 10
"""Start bit, eight data bits, stop bit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Node:
    """A sensor node.

    Attributes:
        id: the source's id in the rig file.
        wire_names: name on the wire by channel.
        boot: mark of this start of the device.
        up_s: the node's uptime when the test begins, s.
        drift_ppm: how much faster than true time its clock runs, parts in a million.
        delay_s: the least time from the newest reading to sending, s.
        jitter_s: mean of what comes on top at random, s.
        baud: speed of its serial line, or None where it is on a network.
        contacts: whether its readings are contacts (``vb``) instead of numbers (``v``).
    """

    id: str
    wire_names: Mapping[str, str]
    boot: str
    up_s: float
    drift_ppm: float
    delay_s: float
    jitter_s: float
    baud: int | None = None
    contacts: bool = False

    def up_ns(self, true_ns: int) -> int:
        """The node's uptime at a true time, ns; exact however long it has been up."""
        return round(self.up_s * 1e9) + true_ns + round(true_ns * self.drift_ppm * 1e-6)


MAST = Node(
    id="mast",
    wire_names={"slew": "enc", "load": "cell", "radius": "rad"},
    boot="m-4c1e",
    up_s=812.377,
    drift_ppm=35.0,
    delay_s=0.0008,
    jitter_s=0.0003,
    baud=BAUD,
)
WHEEL_NODE = Node(
    id="wheels",
    wire_names={f"wheel/{wheel}": wheel for wheel in WHEELS},
    boot="w-90b7",
    up_s=95.218,
    drift_ppm=-20.0,
    delay_s=0.001,
    jitter_s=0.002,
    contacts=True,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """A frame and when its last byte has left the node.

    Attributes:
        sent_ns: true time, ns.
        payload: the pack; on a serial line with CRC-32 and line end.
    """

    sent_ns: int
    payload: bytes


def frames(
    node: Node,
    blocks: Mapping[str, Block],
    *,
    seed: int,
    pack_s: float = PACK_S,
    counter: Iterator[int] | None = None,
    shift_ns: int = 0,
) -> Iterator[Frame]:
    """What a node sends while readings are taken.

    Args:
        node: the node; blocks of channels that it does not have are left alone.
        blocks: raw readings by channel.
        seed: of the jitter.
        pack_s: how long a node reads before it sends, s.
        counter: gives the pack counter; by default from 0.
        shift_ns: added to every time, to send readings later than they were simulated.

    Yields:
        Frames in the order of sending.
    """
    counter = itertools.count() if counter is None else counter
    rng = np.random.default_rng([seed, round(node.up_s * 1000)])
    sent_ns = 0
    for pack in _packs({c: b for c, b in blocks.items() if c in node.wire_names}, pack_s):
        newest_ns = max(int(b.t_ns[-1]) for b in pack) + shift_ns
        payload = encode(node, pack, seq=next(counter), newest_ns=newest_ns, shift_ns=shift_ns)
        delay_s = node.delay_s + rng.exponential(node.jitter_s)
        if node.baud is not None:
            payload = sign(payload) + b"\r\n"
            delay_s += len(payload) * BITS_A_BYTE / node.baud
        sent_ns = max(sent_ns, newest_ns + round(delay_s * 1e9))
        yield Frame(sent_ns=sent_ns, payload=payload)


def _packs(blocks: Mapping[str, Block], pack_s: float) -> Iterator[list[Block]]:
    """Cuts all channels into stretches of a pack's length; empty ones are left out."""
    last_ns = max(int(b.t_ns[-1]) for b in blocks.values())
    step_ns = round(pack_s * 1e9)
    bounds_ns = step_ns * np.arange(last_ns // step_ns + 2)
    cuts = {c: np.searchsorted(b.t_ns, bounds_ns).tolist() for c, b in blocks.items()}
    for i in range(len(bounds_ns) - 1):
        pack = [
            _part(block, cuts[channel][i], cuts[channel][i + 1])
            for channel, block in blocks.items()
            if cuts[channel][i + 1] > cuts[channel][i]
        ]
        if pack:
            yield pack


def _part(block: Block, start: int, end: int) -> Block:
    return Block(channel=block.channel, t_ns=block.t_ns[start:end], value=block.value[start:end])


def encode(node: Node, pack: list[Block], *, seq: int, newest_ns: int, shift_ns: int = 0) -> bytes:
    """Writes a pack as SenML JSON.

    Each channel's name is a base name, given once with its first reading; times count back from
    the newest reading, to whose moment ``up`` belongs.

    Args:
        node: the node.
        pack: readings, at least one.
        seq: pack counter.
        newest_ns: when the newest reading was taken, true time, ns.
        shift_ns: what to add to the readings' times, ns.
    """
    up_us = round(node.up_ns(newest_ns) / 1000)
    head = f'"seq":{seq},"boot":"{node.boot}","up":{up_us // 10**6}.{up_us % 10**6:06d},'
    records = []
    for block in pack:
        name = f'"bn":"{node.wire_names[block.channel]}",'
        ago_ns = (block.t_ns + (shift_ns - newest_ns)) * (1 + node.drift_ppm * 1e-6)
        ago_us = np.round(ago_ns / 1000).astype(int).tolist()
        for ago, value in zip(ago_us, block.value.tolist(), strict=True):
            if node.contacts:
                reading = '"vb":true' if value else '"vb":false'
            else:
                reading = f'"v":{value:.15g}'
            time = f',"t":{ago / 1e6:.6f}'.rstrip("0").rstrip(".") if ago else ""
            records.append(f"{{{head}{name}{reading}{time}}}")
            head = name = ""
    return f"[{','.join(records)}]".encode()
