"""Which of a broker's messages are with the recorder, and which may be acknowledged.

A broker sends a message again, under the same number, when a connection broke before our
acknowledgement reached it. Three rules keep that exact: an acknowledgement is sent only on the
connection that brought the message, since on another its number may mean another message; a
message that comes again while the recorder still has it is not handed over twice; one that
comes again after it was safe on the disk is acknowledged at once. Whether a message is the one
with its number that came before is told by its content too: a broker that was killed and took up
an older state of its session may give one number to two messages.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(slots=True, kw_only=True)
class Delivery:
    """One message, from its coming until its acknowledgement.

    Attributes:
        mid: the broker's number of it.
        content: hash of what it says.
        connection: count of the connection that brought it last.
        safe: whether its readings are on the disk.
    """

    mid: int
    content: int
    connection: int
    safe: bool = False


class Deliveries:
    """The messages of one session that are not acknowledged yet; used by one thread."""

    def __init__(self) -> None:
        self._connection = 0
        self._open: dict[int, Delivery] = {}

    def lost(self) -> None:
        """The connection is gone; nothing is acknowledged until there is another."""
        self._connection += 1

    def connected(self, *, resumed: bool) -> None:
        """A new connection; where its session is new too, the old numbers mean nothing."""
        self._connection += 1
        if not resumed:
            self._open.clear()

    def coming(self, mid: int, payload: bytes, *, again: bool) -> tuple[Delivery, bool]:
        """A message comes.

        Args:
            mid: the broker's number of it.
            payload: what it says.
            again: whether the broker says that it sent it before.

        Returns:
            The delivery, and whether it is new to the recorder. Where it is not and the
            delivery is ``safe``, it is to be acknowledged at once.
        """
        known = self._open.get(mid)
        content = hash(payload)
        if known is not None and again and known.content == content:
            known.connection = self._connection
            return known, False
        delivery = Delivery(mid=mid, content=content, connection=self._connection)
        self._open[mid] = delivery
        return delivery, True

    def refused(self, delivery: Delivery) -> None:
        """The recorder had no room: the message is to be handed over when it comes again."""
        self._open.pop(delivery.mid, None)

    def safe(self, delivery: Delivery) -> bool:
        """Its readings are on the disk.

        Returns:
            Whether to acknowledge it now.
        """
        delivery.safe = True
        current = self._open.get(delivery.mid) is delivery
        return current and delivery.connection == self._connection

    def acknowledged(self, delivery: Delivery) -> None:
        """Its acknowledgement went out."""
        if self._open.get(delivery.mid) is delivery:
            del self._open[delivery.mid]
