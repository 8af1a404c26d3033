"""Names and addresses by which a computer is reached, as a certificate holds them."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Sequence

from cryptography import x509

from logger.errors import BadInput

_HOST = re.compile(r"(?!-)[A-Za-z0-9_-]{1,63}(?<!-)(\.(?!-)[A-Za-z0-9_-]{1,63}(?<!-))*")
_LONGEST_HOST = 253


def is_address(text: str) -> bool:
    """Whether a text is an IP address, an IPv6 one without brackets."""
    try:
        ipaddress.ip_address(text)
    except ValueError:
        return False
    return True


def is_host(text: str) -> bool:
    """Whether a text is a name or an address that a certificate can hold."""
    return is_address(text) or (len(text) <= _LONGEST_HOST and bool(_HOST.fullmatch(text)))


def check_hosts(hosts: Sequence[str]) -> None:
    """Refuses what no certificate can name, before anything is made.

    Raises:
        BadInput: where a host is no name or address, or none is there.
    """
    general_names(hosts)


def general_names(hosts: Sequence[str]) -> list[x509.GeneralName]:
    """Hosts as a certificate names them, each once.

    Raises:
        BadInput: as :func:`check_hosts`.
    """
    if not hosts:
        raise BadInput(
            where="server's certificate",
            what="no host is named",
            would_do="name those by which the server is reached",
        )
    return [_general_name(host) for host in dict.fromkeys(hosts)]


def _general_name(host: str) -> x509.GeneralName:
    address = host.strip("[]")
    if is_address(address):
        return x509.IPAddress(ipaddress.ip_address(address))
    if is_host(host):
        return x509.DNSName(host)
    raise BadInput(
        where=f"host {host[:80]!r}",
        what="is no name or address of a computer",
        would_do="write it like 'broker.local' or '192.168.4.1'",
    )
