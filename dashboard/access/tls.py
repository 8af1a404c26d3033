"""The dashboard's own certificate: one that was given, or one made here.

The certificate says by which names the dashboard is reached, and by no others is it answered:
browsers would warn of them anyway.
"""

from __future__ import annotations

import ipaddress
import ssl
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from dashboard.access.reach import Reach
from logger.access.certificate import (
    CA_CERTIFICATE,
    SERVER_CERTIFICATE,
    SERVER_KEY,
    Certificate,
    make_authority,
    make_server_certificate,
    read_authority,
    read_certificate,
)
from logger.errors import BadInput

_AUTHORITY = "Slewtrace dashboard"
_PLACE = "dashboard"
"""Folder of the dashboard's pair below the authority's, who may sign for a broker too."""
_RENEWED = timedelta(days=30)


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnTls:
    """A certificate that the dashboard shows.

    Attributes:
        certificate: with its key.
        reach: its names.
        said: what to tell the person who starts the dashboard.
    """

    certificate: Certificate
    reach: Reach
    said: tuple[str, ...]


def given_tls(certificate: Path, key: Path, *, names: Sequence[str], now_utc: datetime) -> OwnTls:
    """A certificate that was made elsewhere.

    Args:
        certificate: its file, PEM, with those between it and its authority.
        key: the file of its key.
        names: by which of its names the dashboard is reached; none for all that are whole.
        now_utc: the current time, UTC.

    Raises:
        BadInput: where it can't be used, is not valid now, or does not name what is asked.
    """
    found = read_certificate(certificate, key)
    check_usable(found, now_utc=now_utc)
    for name in names:
        if not _covers(found.hosts, name):
            raise BadInput(
                where=f"--name {name}",
                what=f"is not in {certificate}, which is for {', '.join(found.hosts) or 'nobody'}",
                would_do="name one of those, or have it certified",
            )
    whole = tuple(names) or tuple(h.lower() for h in found.hosts if "*" not in h)
    if not whole:
        raise BadInput(
            where=str(certificate),
            what=f"is for {', '.join(found.hosts) or 'no host'}",
            would_do="say with --name which one people type",
        )
    reach = Reach(names=_in_addresses(whole), secure=True, trusted_long=True)
    return OwnTls(certificate=found, reach=reach, said=(found.in_words(now_utc=now_utc),))


def own_tls(folder: Path, *, hosts: tuple[str, ...], now_utc: datetime) -> OwnTls:
    """A certificate made here, by an authority of one's own; used again while it fits.

    Args:
        folder: of the authority, made with it where it is missing.
        hosts: names and addresses by which the dashboard is reached.
        now_utc: the current time, UTC.

    Raises:
        BadInput: where the folder or what stands in it can't be used.
    """
    if not hosts:
        raise BadInput(
            where="--own-certificate", what="has no name to certify", would_do="add --name HOST"
        )
    place = folder / _PLACE
    try:
        for made in (folder, place):
            made.mkdir(mode=0o700, exist_ok=True)
    except OSError as exc:
        raise BadInput(
            where=f"--own-certificate {folder}",
            what=f"can't be made ({exc.strerror or exc})",
            would_do="name a folder of your own",
        ) from exc
    there = (folder / CA_CERTIFICATE).exists()
    authority = (
        read_authority(folder)
        if there
        else make_authority(folder, name=_AUTHORITY, now_utc=now_utc)
    )
    found = _kept(place, hosts, authority=authority, now_utc=now_utc)
    reach = Reach(names=_in_addresses(hosts), secure=True)
    trust = (
        f"On each screen trust {authority.certificate} once, as an authority; compare its "
        f"SHA-256 there: {authority.fingerprint}"
    )
    return OwnTls(certificate=found, reach=reach, said=(trust, found.in_words(now_utc=now_utc)))


def _kept(
    place: Path, hosts: tuple[str, ...], *, authority: Certificate, now_utc: datetime
) -> Certificate:
    """The dashboard's pair, made anew where it lacks a name, ends soon or is of another."""
    certificate, key = place / SERVER_CERTIFICATE, place / SERVER_KEY
    if certificate.exists() and key.exists():
        found = read_certificate(certificate, key)
        fits = set(hosts) <= {h.lower() for h in found.hosts}
        if fits and found.until_utc - now_utc > _RENEWED and _is_of(found, authority):
            check_usable(found, now_utc=now_utc)
            return found
    made = make_server_certificate(authority, place, hosts=hosts, now_utc=now_utc, replace=True)
    check_usable(made, now_utc=now_utc)
    return made


def _is_of(found: Certificate, authority: Certificate) -> bool:
    """Whether an authority signed a certificate, as a browser would see it."""
    from cryptography import x509  # noqa: PLC0415 - only where a pair is found
    from cryptography.exceptions import InvalidSignature  # noqa: PLC0415

    signed, issuer = (
        x509.load_pem_x509_certificate(c.certificate.read_bytes()) for c in (found, authority)
    )
    try:
        signed.verify_directly_issued_by(issuer)
    except (InvalidSignature, ValueError, TypeError):
        return False
    return True


def check_usable(found: Certificate, *, now_utc: datetime) -> None:
    """Sees that a certificate is valid now, and that its key is its own and can be read.

    Raises:
        BadInput: where it is not.
    """
    if not found.from_utc <= now_utc < found.until_utc:
        raise BadInput(
            where=str(found.certificate),
            what=f"is valid from {found.from_utc:%Y-%m-%d} to {found.until_utc:%Y-%m-%d} only",
            would_do="have it made anew, or see to this machine's date",
        )
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    try:
        context.load_cert_chain(found.certificate, found.key, password=_no_passphrase)
    except (OSError, ValueError) as exc:
        cause = exc.strerror if isinstance(exc, OSError) and exc.strerror else str(exc)
        raise BadInput(
            where=str(found.key),
            what=f"can't be used as the key of {found.certificate} ({cause})",
            would_do="name its own key, a PEM file without a passphrase that you may read",
        ) from exc


def _no_passphrase() -> str:
    raise ValueError("it asks for a passphrase")


def _covers(hosts: Sequence[str], name: str) -> bool:
    """Whether a certificate is for a name; a ``*`` stands for its first part (RFC 6125)."""
    rest = name.partition(".")[2]
    return name in {h.lower() for h in hosts} or (bool(rest) and f"*.{rest}" in hosts)


def _in_addresses(hosts: Sequence[str]) -> tuple[str, ...]:
    """Hosts as they stand in an address: one of IPv6 in brackets."""
    return tuple(f"[{h}]" if _is_v6(h) else h for h in hosts)


def _is_v6(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).version == 6
    except ValueError:
        return False
