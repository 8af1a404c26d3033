"""Who is asking just now, known to all code that answers a request or a page's WebSocket.

A dashboard that listens on its own machine only asks nobody who they are: then there is no visit,
and everything may be done. Beyond the machine each request belongs to a session of one of two
roles. The engineer does everything; the witness sees everything and changes nothing.
"""

from __future__ import annotations

from contextvars import ContextVar
from dataclasses import dataclass
from enum import StrEnum

from dashboard.access.sessions import Session, Sessions

WHY_NOT = "Signed in as witness, who reads and changes nothing: ask the engineer."
"""What a witness is told who asks for a change all the same."""


class Role(StrEnum):
    """Who a person is to the dashboard; also the name that is signed in with."""

    ENGINEER = "engineer"
    WITNESS = "witness"


@dataclass(slots=True, kw_only=True)
class Visit:
    """One request, or one WebSocket, of somebody who is signed in.

    Attributes:
        session: of the person.
        sessions: which keep it.
        refused: whether something was asked that the person may not do.
    """

    session: Session
    sessions: Sessions
    refused: bool = False

    @property
    def may_change(self) -> bool:
        """Whether the session still stands, and is the engineer's."""
        return self.session.role == Role.ENGINEER and self.sessions.stands(self.session)


VISIT: ContextVar[Visit | None] = ContextVar("visit", default=None)


def who() -> Role | None:
    """The role of whoever asks; None where nobody is asked who they are."""
    visit = VISIT.get()
    return None if visit is None else Role(visit.session.role)


def may_change() -> bool:
    """How a page is to look: whether its controls that change something are open.

    This locks nothing. What holds is in :mod:`dashboard.access.gate` and
    :mod:`dashboard.access.callbacks`.
    """
    return who() in (None, Role.ENGINEER)


def still_watching() -> None:
    """Counts a page that shows something live, and took it, as use of its session."""
    visit = VISIT.get()
    if visit is not None:
        visit.sessions.use(visit.session)
