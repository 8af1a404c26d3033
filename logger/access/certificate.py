"""A certificate authority of one's own, and certificates of servers that it signs.

A broker in a yard has no name that a public authority would certify, so the site makes its own:
``ca.crt`` goes to every device and browser that shall trust it, ``ca.key`` stays where it was made
and signs further servers. A server gets ``server.crt`` and ``server.key`` with the names and
addresses by which it is reached; a client refuses any other.

Keys are ECDSA on P-256, which microcontrollers know too. Certificates carry what RFC 5280 asks
and what Python's strict verification looks for: key identifiers, critical basic constraints and
key usage, and the purpose of a server. They are valid from a day before they are made, since
clocks beside a truck are often set late. A server's certificate is valid for 825 days, the most
that some systems take (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from logger.access.hosts import general_names
from logger.access.pem_file import certificate_in, private_key_in
from logger.access.private_file import FOR_ALL_TO_READ, OWNER_ONLY, refuse_taken, write_whole
from logger.errors import BadInput

CA_CERTIFICATE, CA_KEY = "ca.crt", "ca.key"
SERVER_CERTIFICATE, SERVER_KEY = "server.crt", "server.key"
CA_VALID = timedelta(days=3650)
SERVER_VALID = timedelta(days=825)
BEFORE = timedelta(days=1)
"""How long before its making a certificate is valid, for clocks that are set late."""

_LONGEST_NAME = 64
"""Longest common name (RFC 5280, upper bounds)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Certificate:
    """A certificate and the place of its private key.

    Attributes:
        certificate: the PEM file that others may read.
        key: the PEM file of the private key, mode 0600.
        name: the common name.
        hosts: names and addresses that it certifies; none for an authority.
        fingerprint: SHA-256 of the certificate, 64 hex digits in groups of four, as a person
            compares it on two screens.
        from_utc: valid from.
        until_utc: valid until.
    """

    certificate: Path
    key: Path
    name: str
    hosts: tuple[str, ...]
    fingerprint: str
    from_utc: datetime
    until_utc: datetime

    def in_words(self, *, now_utc: datetime) -> str:
        """One sentence with name, validity and fingerprint."""
        what = f"for {', '.join(self.hosts)}" if self.hosts else f"of the authority {self.name!r}"
        until = f"{self.until_utc:%Y-%m-%d}"
        if now_utc >= self.until_utc:
            valid = f"EXPIRED on {until}"
        elif now_utc < self.from_utc:
            valid = f"valid only from {self.from_utc:%Y-%m-%d} on: see this computer's date"
        else:
            valid = f"valid until {until} ({(self.until_utc - now_utc).days} days)"
        return f"certificate {what}, {valid}, SHA-256 {self.fingerprint}"


def make_authority(
    folder: Path, *, name: str, now_utc: datetime, replace: bool = False
) -> Certificate:
    """Makes an authority: ``ca.crt`` and ``ca.key`` in a folder.

    Args:
        folder: where the two files go; it must be there.
        name: what people read in a list of authorities, such as ``"bay-2 broker"``.
        now_utc: the current time, UTC.
        replace: whether an authority that is there may be replaced; all that it signed is then
            no longer trusted.

    Raises:
        BadInput: where one of the files is there, or the name won't do.
        StorageFailed: where the disk refuses.
    """
    _check_name(name)
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    builder = _builder(subject, subject, key, now_utc=now_utc, valid=CA_VALID)
    identifier = x509.SubjectKeyIdentifier.from_public_key(key.public_key())
    signed = (
        builder.add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(signs_certificates=True), critical=True)
        .add_extension(identifier, critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_subject_key_identifier(identifier),
            critical=False,
        )
        .sign(key, hashes.SHA256())
    )
    return _written(folder / CA_CERTIFICATE, folder / CA_KEY, signed, key, replace=replace)


def make_server_certificate(
    authority: Certificate,
    folder: Path,
    *,
    hosts: Sequence[str],
    now_utc: datetime,
    replace: bool = False,
) -> Certificate:
    """Makes a server's certificate: ``server.crt`` and ``server.key`` in a folder.

    Args:
        authority: who signs it; its key's file must be there.
        folder: where the two files go; it must be there.
        hosts: names and addresses by which the server is reached, at least one; the first is
            the common name.
        now_utc: the current time, UTC.
        replace: whether a certificate that is there may be replaced.

    Raises:
        BadInput: where one of the files is there, a host is none, or the authority can't sign.
        StorageFailed: where the disk refuses.
    """
    names = general_names(hosts)
    issuer, issuer_key = _signer(authority, now_utc=now_utc)
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, hosts[0][:_LONGEST_NAME])])
    valid = min(SERVER_VALID, issuer.not_valid_after_utc - now_utc)
    builder = _builder(subject, issuer.subject, key, now_utc=now_utc, valid=valid)
    signed = (
        builder.add_extension(x509.SubjectAlternativeName(names), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(signs_certificates=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(_issuer_identifier(issuer), critical=False)
        .sign(issuer_key, hashes.SHA256())
    )
    return _written(folder / SERVER_CERTIFICATE, folder / SERVER_KEY, signed, key, replace=replace)


def read_authority(folder: Path) -> Certificate:
    """An authority that :func:`make_authority` made.

    Raises:
        BadInput: where there is none, or it can't be read.
    """
    return read_certificate(folder / CA_CERTIFICATE, folder / CA_KEY)


def read_certificate(certificate: Path, key: Path) -> Certificate:
    """A certificate of any maker; the key's file is named, not read.

    Raises:
        BadInput: where the file is no certificate in PEM.
    """
    return _described(certificate_in(certificate), certificate, key)


def check_key(pair: Certificate) -> None:
    """Sees that a certificate and its key's file belong together.

    Raises:
        BadInput: where the key can't be read, or is another's.
    """
    if private_key_in(pair.key).public_key() != certificate_in(pair.certificate).public_key():
        raise BadInput(
            where=str(pair.key),
            what=f"is not the key of {pair.certificate}",
            would_do="name the two files that were made together",
        )


def _builder(
    subject: x509.Name,
    issuer: x509.Name,
    key: ec.EllipticCurvePrivateKey,
    *,
    now_utc: datetime,
    valid: timedelta,
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now_utc - BEFORE)
        .not_valid_after(now_utc + valid)
    )


def _usage(*, signs_certificates: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not signs_certificates,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=signs_certificates,
        crl_sign=signs_certificates,
        encipher_only=False,
        decipher_only=False,
    )


def _issuer_identifier(issuer: x509.Certificate) -> x509.AuthorityKeyIdentifier:
    public = issuer.public_key()
    if not isinstance(public, ec.EllipticCurvePublicKey):
        raise TypeError("the authority's key is checked before it signs")
    return x509.AuthorityKeyIdentifier.from_issuer_public_key(public)


def _signer(
    authority: Certificate, *, now_utc: datetime
) -> tuple[x509.Certificate, ec.EllipticCurvePrivateKey]:
    """The authority's certificate and key, if they may sign now."""
    check_key(authority)
    issuer, key = certificate_in(authority.certificate), private_key_in(authority.key)
    if not _may_sign(issuer):
        raise BadInput(
            where=str(authority.certificate),
            what="is no authority's certificate",
            would_do="name the authority's, made before",
        )
    if now_utc >= issuer.not_valid_after_utc:
        raise BadInput(
            where=str(authority.certificate),
            what=f"expired on {issuer.not_valid_after_utc:%Y-%m-%d}",
            would_do="make a new authority, and give its certificate to every device",
        )
    return issuer, key


def _may_sign(issuer: x509.Certificate) -> bool:
    try:
        issuer.verify_directly_issued_by(issuer)
        return issuer.extensions.get_extension_for_class(x509.BasicConstraints).value.ca
    except (x509.ExtensionNotFound, InvalidSignature, ValueError, TypeError):
        return False


def _written(
    certificate: Path,
    key: Path,
    signed: x509.Certificate,
    private: ec.EllipticCurvePrivateKey,
    *,
    replace: bool,
) -> Certificate:
    for path in (key, certificate):
        refuse_taken(path, replace=replace)
    pem = private.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
    write_whole(key, pem, mode=OWNER_ONLY, replace=replace)
    public = signed.public_bytes(serialization.Encoding.PEM)
    write_whole(certificate, public, mode=FOR_ALL_TO_READ, replace=replace)
    return _described(signed, certificate, key)


def _described(found: x509.Certificate, certificate: Path, key: Path) -> Certificate:
    digits = found.fingerprint(hashes.SHA256()).hex()
    names = found.subject.get_attributes_for_oid(NameOID.COMMON_NAME)
    return Certificate(
        certificate=certificate,
        key=key,
        name=str(names[0].value) if names else "",
        hosts=_hosts(found),
        fingerprint=" ".join(digits[i : i + 4] for i in range(0, len(digits), 4)),
        from_utc=found.not_valid_before_utc,
        until_utc=found.not_valid_after_utc,
    )


def _hosts(found: x509.Certificate) -> tuple[str, ...]:
    try:
        names = found.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except (x509.ExtensionNotFound, ValueError):
        return ()
    addresses = names.get_values_for_type(x509.IPAddress)
    return (*names.get_values_for_type(x509.DNSName), *(str(a) for a in addresses))


def _check_name(name: str) -> None:
    if not name.strip() or len(name) > _LONGEST_NAME or not name.isprintable():
        raise BadInput(
            where=f"authority {name[:80]!r}",
            what="won't do as a name",
            would_do=f"1 to {_LONGEST_NAME} printable characters",
        )
