"""The text of a broker's configuration and rules, each line with its reason. Pure.

Keys are those of mosquitto 2 (its manual page mosquitto.conf(5), from memory, each tried against
version 2.0.11).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from logger.access.certificate import SERVER_CERTIFICATE, SERVER_KEY
from logger.live.broker.logins import Login

CONFIGURATION, RULES, PASSWORDS, STATE = "mosquitto.conf", "rules.acl", "passwords", "state"
SECRETS = "secrets"
LARGEST_MESSAGE_BYTES = 1_000_000
MOST_CONNECTIONS = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class Listener:
    """Where the broker listens.

    Attributes:
        port: TCP port.
        address: only on this address of the computer; empty for all of them.
        run_as: user that the broker becomes when root starts it; empty for its own choice.
    """

    port: int
    address: str = ""
    run_as: str = ""


def configuration_text(rig_id: str, folder: Path, listener: Listener) -> str:
    """The broker's configuration.

    Args:
        rig_id: whose broker it is.
        folder: where its files lie.
        listener: where it listens.
    """
    where = f"{listener.port} {listener.address}".rstrip()
    run_as = (
        "\n# Who the broker becomes when root starts it; it must be able to read these files.\n"
        f"user {listener.run_as}\n"
        if listener.run_as
        else ""
    )
    return f"""\
# Broker of rig {rig_id}, written by `slewtrace broker`. Start it with:
#   mosquitto -c {folder / CONFIGURATION}

# One listener, with TLS. There is none without, so no password ever crosses the network in clear.
listener {where}
certfile {folder / SERVER_CERTIFICATE}
keyfile {folder / SERVER_KEY}
tls_version tlsv1.2

# Nobody comes in without a name and a password.
allow_anonymous false
password_file {folder / PASSWORDS}

# Who may publish and read what. What is not allowed there is refused.
acl_file {folder / RULES}

# Messages of QoS 1 and sessions outlive a restart of the broker; at most 10 s of them are lost
# when its power fails, and a device that keeps what was not acknowledged sends it again.
persistence true
persistence_location {folder / STATE}/
autosave_interval 10

# By default a broker drops, in silence, what waits beyond 1,000 messages. 0 is no limit. A recorder
# acknowledges what is on its disk, so many are under way at a time.
max_queued_messages 0
max_queued_bytes 0
max_inflight_messages 0

# What a recorder that never comes back would let pile up is given up after a day.
persistent_client_expiration 1d

# Against a device gone mad or a stranger: no larger message, no more connections than a bay needs.
message_size_limit {LARGEST_MESSAGE_BYTES}
max_connections {MOST_CONNECTIONS}
{run_as}
# Who came and went, and what was wrong, on standard output. Passwords are never in it.
log_dest stdout
log_type error
log_type warning
log_type notice
connection_messages true
"""


def rules_text(rig_id: str, logins: Sequence[Login]) -> str:
    """The broker's rules: who may publish and read what.

    Args:
        rig_id: whose broker it is.
        logins: all of them.
    """
    lines = [
        f"# Rules of the broker of rig {rig_id}, written by `slewtrace broker`.",
        "# Each login may do what stands below its name, and nothing else.",
    ]
    for login in logins:
        lines += ["", f"# {login.purpose}", f"user {login.name}"]
        lines += [f"topic write {topic}" for topic in login.writes]
        lines += [f"topic read {topic}" for topic in login.reads]
    return "\n".join(lines) + "\n"
