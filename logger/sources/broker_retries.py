"""How long to wait before a broker is joined again.

One that went away is tried soon, and then at a steady pace. Where another client has taken our
session, joining takes it back and throws that one out; two that do so at once would take it from
each other many times a second and both lose readings. So then the wait is seconds long, and
longer each time the session is taken again.

Not every broker says that a session was taken (mosquitto 2.0.11 does not). It shows where the
broker lets us in at the first try, so was never away, and ends the connection at once, twice in
a row.
"""

from __future__ import annotations

FIRST_RETRY_S = 0.1
LONGEST_RETRY_S = 1.0
FIRST_AFTER_TAKEN_S = 5.0
LONGEST_AFTER_TAKEN_S = 60.0
"""A session that was ours for longer than this counts as ours: the waits begin anew."""

SHORT_S = 5.0
"""A connection that ends within this may have been taken from us."""
_SHORT_IN_A_ROW = 2


class BrokerRetries:
    """Gives the waits, one before each try.

    Attributes:
        is_disputed: whether another client is after our session, as far as can be told.
    """

    def __init__(self) -> None:
        self.is_disputed = False
        self._joined_s: float | None = None
        self._tries = self._tries_it_took = 0
        self._short_in_a_row = 0
        self._retry_s = FIRST_RETRY_S
        self._taken_s = FIRST_AFTER_TAKEN_S

    def joined(self, now_s: float) -> None:
        """Takes note that the broker has let us in.

        Args:
            now_s: the time on the caller's steady clock, s.
        """
        self._joined_s = now_s
        self._tries_it_took, self._tries = self._tries, 0
        self._retry_s = FIRST_RETRY_S

    def ended(self, now_s: float, *, taken: bool) -> None:
        """Takes note that a connection, or a try, has ended.

        Args:
            now_s: the time on the caller's steady clock, s.
            taken: whether the broker said that another client came for our session.
        """
        joined_s, self._joined_s = self._joined_s, None
        if joined_s is not None:
            held_s = now_s - joined_s
            is_short = self._tries_it_took == 1 and held_s < SHORT_S
            self._short_in_a_row = self._short_in_a_row + 1 if is_short else 0
            if held_s > LONGEST_AFTER_TAKEN_S:
                self._taken_s = FIRST_AFTER_TAKEN_S
        self.is_disputed = taken or (
            joined_s is not None and self._short_in_a_row >= _SHORT_IN_A_ROW
        )

    def wait_s(self) -> float:
        """How long to wait before the next try, s."""
        self._tries += 1
        if self.is_disputed:
            wait_s, self._taken_s = self._taken_s, min(2 * self._taken_s, LONGEST_AFTER_TAKEN_S)
        else:
            wait_s, self._retry_s = self._retry_s, min(2 * self._retry_s, LONGEST_RETRY_S)
        return wait_s
