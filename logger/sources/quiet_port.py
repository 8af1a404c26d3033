"""A watchdog on data: a port that is open and says nothing may be a dead adapter.

Some adapters die without an error: the port stays open and no byte comes any more. Opening it
again helps where the driver still answers. A port that is merely slow must not be disturbed,
so the limit is several times what its channels may be silent for, and it doubles with each try.
"""

from __future__ import annotations

from logger.readings.rig_file import RigFile

QUIET_S = 5.0
"""How long a port may be silent where its channels say nothing about it."""
LEAST_QUIET_S = 2.0
"""Opening again resets some boards, which then need this long to speak."""
STALE_TIMES = 5
LONGEST_QUIET_S = 60.0
_DOUBLINGS = 10


def quiet_limit_s(rig: RigFile, source_id: str) -> float | None:
    """How long a source's port may be silent before it is opened again, s.

    Args:
        rig: the rig file.
        source_id: which source.

    Returns:
        Several times the shortest ``stale_after`` of its channels; None where no channel
        expects it to speak.
    """
    channels = [c for c in rig.channel if c.source == source_id]
    if not channels:
        return None
    given = [c.stale_after_s for c in channels if c.stale_after_s is not None]
    return max(LEAST_QUIET_S, STALE_TIMES * min(given)) if given else QUIET_S


class QuietPort:
    """Tells when a silent port is to be opened again.

    Attributes:
        since_s: when the last byte came or the watch began, s on the caller's clock.
        tries: how often it was opened again since.

    Args:
        limit_s: how long it may be silent, s; None for ever.
        now_s: the time on the caller's clock, s.
    """

    def __init__(self, limit_s: float | None, now_s: float) -> None:
        self._limit_s = limit_s
        self.since_s = self._tried_s = now_s
        self.tries = 0

    def begin(self, now_s: float) -> None:
        """Begins anew: a byte has come, or the port was plugged in."""
        self.since_s = self._tried_s = now_s
        self.tries = 0

    def opened_again(self, now_s: float) -> None:
        """Takes note that it was opened again: the next try comes later."""
        self._tried_s = now_s
        self.tries += 1

    def is_overdue(self, now_s: float) -> bool:
        """Whether it is time to open it again."""
        if self._limit_s is None:
            return False
        longest_s = max(self._limit_s, LONGEST_QUIET_S)
        limit_s = min(self._limit_s * (1 << min(self.tries, _DOUBLINGS)), longest_s)
        return now_s - self._tried_s >= limit_s
