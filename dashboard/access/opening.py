"""How the dashboard is opened to other machines; nothing is opened that stands unguarded.

Whoever opens it says where to listen, whose the passwords are, and what keeps them secret on the
way: a certificate, or a reverse proxy that has one. What is missing is said in one line, with what
would do, before anything listens.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from urllib.parse import urlsplit

from dashboard.access.accounts import Accounts, hashed, make_accounts
from dashboard.access.reach import Reach
from dashboard.access.tls import OwnTls, given_tls, own_tls
from dashboard.access.visit import Role
from logger.access.certificate import Certificate
from logger.access.hosts import is_address, is_host
from logger.access.secret import secret_from
from logger.errors import BadInput

VARIABLES: Mapping[Role, str] = {role: f"SLEWTRACE_{role.upper()}_PASSWORD" for role in Role}
"""Environment variables that may hold the passwords."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What a person asks for, as typed.

    Attributes:
        listen: ``ADDRESS`` or ``ADDRESS:PORT``; an IPv6 address with a port in brackets.
        certificate: file of a certificate, PEM.
        key: file of its key.
        own_certificate: folder of a certificate that is made here.
        names: further names by which the dashboard is reached.
        behind: what people type to reach the reverse proxy, ``https://NAME``.
        proxy: the address from which that proxy asks; this machine by default.
        password_files: files of the passwords.
    """

    listen: str
    certificate: Path | None = None
    key: Path | None = None
    own_certificate: Path | None = None
    names: tuple[str, ...] = ()
    behind: str | None = None
    proxy: str | None = None
    password_files: Mapping[Role, Path | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """How the dashboard is opened.

    Attributes:
        address: where to listen.
        port: the port; None for the usual one.
        reach: by which names it is reached.
        accounts: who may sign in.
        certificate: shown to those who come; None where a proxy does.
        proxy: the one address whose word is taken on where a request comes from; None for nobody.
        said: what to tell the person who opened it, a line each.
    """

    address: str
    port: int | None
    reach: Reach
    accounts: Accounts
    certificate: Certificate | None
    proxy: str | None
    said: tuple[str, ...] = ()


def read_opening(
    asked: Asked, environment: Mapping[str, str], *, host_name: str, now_utc: datetime
) -> Opening:
    """Reads how the dashboard is to be opened, and makes its certificate where that is asked.

    Args:
        asked: what a person asks for.
        environment: may hold the passwords.
        host_name: of this machine.
        now_utc: the current time, UTC.

    Raises:
        BadInput: where it would stand unguarded, or what is named can't be used.
    """
    address, port = read_place(asked.listen)
    _check_way(asked, address)
    proxy = _proxy(asked)
    public = None if asked.behind is None else _public(asked.behind)
    accounts = _accounts(asked, environment)
    tls = _tls(asked, address, host_name=host_name, now_utc=now_utc)
    return Opening(
        address=address,
        port=port,
        reach=public or _own(tls).reach,
        accounts=accounts,
        certificate=None if tls is None else tls.certificate,
        proxy=proxy,
        said=() if tls is None else tls.said,
    )


def _own(tls: OwnTls | None) -> OwnTls:
    """The certificate of a dashboard that stands behind nothing."""
    if tls is None:
        raise TypeError("a dashboard without proxy and certificate is refused before")
    return tls


def read_place(listen: str) -> tuple[str, int | None]:
    """Where to listen: address and port.

    Raises:
        BadInput: where it is neither.
    """
    text = listen.strip()
    if is_address(_bare(text)):
        return _bare(text), None
    host, _, port = text.rpartition(":")
    host = _bare(host)
    if port.isascii() and port.isdigit() and int(port) <= 65535 and is_host(host):
        return host, int(port)
    if is_host(text):
        return text, None
    raise BadInput(
        where=f"--listen {text[:80]!r}",
        what="is no address of this machine, with or without a port",
        would_do="write it like 192.168.4.20, 192.168.4.20:8443 or [fd00::20]:8443",
    )


def _bare(host: str) -> str:
    """A host without the brackets that an IPv6 address has in front of a port."""
    return host[1:-1] if host.startswith("[") and host.endswith("]") else host


def _is_this_machine(address: str) -> bool:
    return address.lower() == "localhost" or (
        is_address(address) and ipaddress.ip_address(address).is_loopback
    )


def _check_way(asked: Asked, address: str) -> None:
    """Sees that passwords and readings are kept secret on their way."""
    given = asked.certificate is not None or asked.key is not None
    if given and (asked.certificate is None or asked.key is None):
        raise BadInput(
            where="--certificate and --key",
            what="go together, and only one is given",
            would_do="name both files",
        )
    if given and asked.own_certificate is not None:
        raise BadInput(
            where="--own-certificate",
            what="stands beside --certificate",
            would_do="keep one of the two",
        )
    secured = given or asked.own_certificate is not None
    if not secured and asked.behind is None:
        raise BadInput(
            where=f"--listen {asked.listen[:80]}",
            what="others could read passwords and readings on the way, without TLS",
            would_do="add --own-certificate FOLDER, or --certificate FILE --key FILE, "
            "or --behind https://NAME of a reverse proxy that has TLS",
        )
    if not secured and not _is_this_machine(address):
        raise BadInput(
            where=f"--behind {str(asked.behind)[:80]}",
            what=f"the way from the proxy to {address} would be without TLS",
            would_do="listen on 127.0.0.1, with the proxy on this machine, or add a certificate",
        )


def _tls(asked: Asked, address: str, *, host_name: str, now_utc: datetime) -> OwnTls | None:
    """The dashboard's own certificate; None where only a proxy has one."""
    names = tuple(_name(n) for n in asked.names)
    if asked.certificate is not None and asked.key is not None:
        return given_tls(asked.certificate, asked.key, names=names, now_utc=now_utc)
    if asked.own_certificate is None:
        return None
    hosts = (*names, *_hosts_of(address, host_name))
    return own_tls(asked.own_certificate, hosts=tuple(dict.fromkeys(hosts)), now_utc=now_utc)


def _hosts_of(address: str, host_name: str) -> Sequence[str]:
    """What people may type to reach an address that is listened on."""
    host = host_name.lower()
    named = [host, f"{host}.local"] if is_host(host) and "." not in host else []
    if "." in host and is_host(host):
        named = [host]
    anywhere = is_address(address) and ipaddress.ip_address(address).is_unspecified
    return named if anywhere else [address.lower(), *named]


def _name(text: str) -> str:
    host = _bare(text.strip().lower())
    if not is_host(host):
        raise BadInput(
            where=f"--name {text[:80]!r}",
            what="is no name or address",
            would_do="write it like yard-pc.local or 192.168.4.20",
        )
    return host


def _public(behind: str) -> Reach:
    """The names that a reverse proxy is reached by.

    Raises:
        BadInput: where it is no address of a site over TLS.
    """
    try:
        parts = urlsplit(behind.strip())
        host, port = (parts.hostname or "").lower(), parts.port
    except ValueError:
        parts, host, port = urlsplit(""), "", None
    more = parts.path.strip("/") or parts.query or parts.fragment or parts.username
    if parts.scheme != "https" or not is_host(host) or more:
        raise BadInput(
            where=f"--behind {behind[:80]!r}",
            what="is no address of a site over TLS",
            would_do="write what people type, like https://yard.example",
        )
    name = f"[{host}]" if ":" in host else host
    return Reach(names=(name,), secure=True, port=port or 443, trusted_long=True)


def _proxy(asked: Asked) -> str | None:
    """The one address whose word is taken."""
    if asked.behind is None:
        if asked.proxy is not None:
            raise BadInput(
                where="--proxy",
                what="goes with --behind only",
                would_do="add --behind https://NAME",
            )
        return None
    proxy = asked.proxy or "127.0.0.1"
    if not is_address(proxy):
        raise BadInput(
            where=f"--proxy {proxy[:80]!r}",
            what="is no single address",
            would_do="write the address from which the proxy asks, like 192.168.4.2",
        )
    return proxy


def _accounts(asked: Asked, environment: Mapping[str, str]) -> Accounts:
    """The passwords, hashed.

    Raises:
        BadInput: where the engineer has none, one is too short, or both are the same.
    """
    found = {}
    for role, variable in VARIABLES.items():
        secret = secret_from(
            variable=variable if variable in environment else None,
            file=asked.password_files.get(role),
            environment=environment,
            where=f"the {role}'s password",
        )
        if secret is not None:
            found[role] = secret
    if Role.ENGINEER not in found:
        raise BadInput(
            where=f"--listen {asked.listen[:80]}",
            what="everybody who reaches it could acknowledge alarms, without a password",
            would_do="make one with `slewtrace password FILE` and add --engineer-password-file "
            f"FILE, or set {VARIABLES[Role.ENGINEER]}",
        )
    if found.get(Role.WITNESS) == found[Role.ENGINEER]:
        raise BadInput(
            where="the witness's password",
            what="is the engineer's too",
            would_do="give the witness another, or none",
        )
    return make_accounts({r: hashed(s, where=f"the {r}'s password") for r, s in found.items()})
