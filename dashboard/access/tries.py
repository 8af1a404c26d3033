"""How often a password may be tried: from one address, and by all together.

Every try counts, also one that was right, so that nobody who knows one password gets more tries at
the other. What all may try together bounds guessing from many addresses, and how much memory and
time the hashing takes. Whoever is signed in already is not held up.
"""

from __future__ import annotations

import ipaddress
import math
import time
from dataclasses import dataclass, field

from limits import RateLimitItem, parse
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter

FROM_ONE = "10 per 5 minutes"
BY_ALL = "60 per 5 minutes"
_NETWORK_BITS = 64
"""Of an IPv6 address, which a device changes as it likes, the part that it can't change."""


@dataclass(slots=True, kw_only=True)
class Tries:
    """Counts tries at the passwords of one dashboard.

    Attributes:
        from_one: how many one address has.
        by_all: how many all have together.
    """

    from_one: RateLimitItem = field(default_factory=lambda: parse(FROM_ONE))
    by_all: RateLimitItem = field(default_factory=lambda: parse(BY_ALL))
    _limiter: MovingWindowRateLimiter = field(
        default_factory=lambda: MovingWindowRateLimiter(MemoryStorage())
    )

    def wait_s(self, address: str) -> int:
        """Counts a try; gives how long to wait before the next where this one is too many, else 0.

        Args:
            address: whence it comes. One address that is held up takes nothing from the others.
        """
        for limit, key in ((self.from_one, _place(address)), (self.by_all, "all")):
            if not self._limiter.hit(limit, key):
                reset_s = self._limiter.get_window_stats(limit, key).reset_time
                return max(1, math.ceil(reset_s - time.time()))
        return 0


def _place(address: str) -> str:
    try:
        found = ipaddress.ip_address(address.split("%", maxsplit=1)[0])
    except ValueError:
        return address[:64]
    if isinstance(found, ipaddress.IPv4Address):
        return str(found)
    if found.ipv4_mapped is not None:
        return str(found.ipv4_mapped)
    return str(ipaddress.ip_network((found, _NETWORK_BITS), strict=False))
