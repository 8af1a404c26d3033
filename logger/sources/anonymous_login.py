"""Whether a broker lets in whoever comes: then anyone in the network may publish false readings."""

from __future__ import annotations

import secrets

from logger.errors import SourceUnavailable
from logger.readings.rig_file import Source as SourceTable
from logger.sources.broker_link import BrokerLink


def anonymous_login_refused(source: SourceTable) -> bool | None:
    """Tries to log in to a source's broker without user and password.

    It comes under a name of its own, so it throws nobody out of a session, and takes nothing.

    Args:
        source: the source's table in the rig file, of kind ``mqtt``.

    Returns:
        True where the broker refuses, False where it lets in, None where it can't be told
        because the broker can't be reached.
    """
    link = BrokerLink(
        source.model_copy(update={"user": None, "password_env": None, "password_file": None}),
        client_id=f"slewtrace-probe-{secrets.token_hex(6)}",
        password=None,
        on_connected=lambda _resumed: None,
        on_messages=lambda _publications: None,
    )
    try:
        return not link.is_let_in()
    except (OSError, SourceUnavailable):
        return None
    finally:
        link.leave()
