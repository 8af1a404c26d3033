"""When to ask next: in even steps, and never in a hurry to make up for what was missed.

A question that would be late is not asked a second time and no reading is made up for it: it is
counted, and told now and then. What did come carries the time at which it came.
"""

from __future__ import annotations

from math import floor


class PollPacing:
    """Even steps on the caller's steady clock.

    Args:
        every_s: how often to ask, s.
        now_s: the time now: the first question is due at once.
    """

    def __init__(self, every_s: float, now_s: float) -> None:
        self._every_s = every_s
        self._due_s = now_s

    def wait_s(self, now_s: float) -> float:
        """How long until the next question is due, s."""
        return max(0.0, self._due_s - now_s)

    def asked(self, now_s: float) -> int:
        """Takes note that all questions of a step were asked and answered, or given up.

        Args:
            now_s: the time now.

        Returns:
            How many steps were missed meanwhile; the next one is due in the even steps' order.
        """
        self._due_s += self._every_s
        # The step that is due by now is asked at once, in its own time; those before it are not.
        missed = max(0, floor((now_s - self._due_s) / self._every_s))
        self._due_s += missed * self._every_s
        return missed
