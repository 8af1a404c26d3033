"""Who is signed in, and until when.

The server keeps the sessions, so that signing out and the end of idle time are real: a cookie that
was copied before is worth nothing afterwards. The cookie holds only a name of 256 random bits,
and the server only that name's hash. Nothing is written to a disk; a restart signs everybody out.
"""

from __future__ import annotations

import hashlib
import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass

IDLE_S = 30 * 60.0
"""A session ends so long after its last use. A Live page that is open counts as use: on a tablet
that a witness only looks at, no sign-in page may take the place of the wheels."""
LONGEST_S = 12 * 3600.0
"""A session ends so long after its beginning, whatever is done: a working day."""
_MOST = 200
"""Sessions that are kept; the one that was used least recently goes first."""
_NAME_BYTES = 32


@dataclass(slots=True, kw_only=True, eq=False)
class Session:
    """One person signed in on one browser.

    Attributes:
        role: of the person.
        begun_s: when it began, on the sessions' clock.
        used_s: when it was last used, on that clock.
    """

    role: str
    begun_s: float
    used_s: float


class Sessions:
    """The sessions of one dashboard. Used on its event loop only.

    Args:
        clock: a monotonic clock, s.
    """

    def __init__(self, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._kept: dict[str, Session] = {}

    def begin(self, role: str) -> str:
        """Begins a session and gives its name, for the cookie."""
        now_s = self._clock()
        self._kept = {key: s for key, s in self._kept.items() if self._in_time(s, now_s)}
        while len(self._kept) >= _MOST:
            del self._kept[min(self._kept, key=lambda key: self._kept[key].used_s)]
        name = secrets.token_urlsafe(_NAME_BYTES)
        self._kept[_hashed(name)] = Session(role=role, begun_s=now_s, used_s=now_s)
        return name

    def find(self, name: object) -> Session | None:
        """The session of a name, if it has not ended; looking is no use of it."""
        key = _hashed(name) if isinstance(name, str) else ""
        session = self._kept.get(key)
        if session is not None and not self._in_time(session, self._clock()):
            del self._kept[key]
            return None
        return session

    def use(self, session: Session) -> None:
        """Notes that a session is used; one that has ended stays ended."""
        if self.stands(session):
            session.used_s = self._clock()

    def stands(self, session: Session) -> bool:
        """Whether a session has not ended."""
        kept = any(s is session for s in self._kept.values())
        return kept and self._in_time(session, self._clock())

    def end(self, name: object) -> None:
        """Ends the session of a name, if there is one."""
        if isinstance(name, str):
            self._kept.pop(_hashed(name), None)

    def _in_time(self, session: Session, now_s: float) -> bool:
        return now_s - session.used_s < IDLE_S and now_s - session.begun_s < LONGEST_S


def _hashed(name: str) -> str:
    return hashlib.sha256(name.encode(errors="replace")).hexdigest()
