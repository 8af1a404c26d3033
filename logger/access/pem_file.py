"""Certificates and private keys as they lie in files, in PEM."""

from __future__ import annotations

from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec

from logger.errors import BadInput


def certificate_in(path: Path) -> x509.Certificate:
    """The certificate in a PEM file.

    Raises:
        BadInput: where it is none.
    """
    try:
        return x509.load_pem_x509_certificate(path.read_bytes())
    except (OSError, ValueError) as exc:
        raise _unusable(path, "certificate", exc) from exc


def private_key_in(path: Path) -> ec.EllipticCurvePrivateKey:
    """The private key in a PEM file.

    Raises:
        BadInput: where it is none, or of another kind than ours.
    """
    try:
        key = serialization.load_pem_private_key(path.read_bytes(), password=None)
    except (OSError, ValueError, TypeError) as exc:
        raise _unusable(path, "private key without a passphrase", exc) from exc
    if not isinstance(key, ec.EllipticCurvePrivateKey):
        raise BadInput(
            where=str(path), what="is no key on an elliptic curve", would_do="make one with this"
        )
    return key


def _unusable(path: Path, wanted: str, exc: Exception) -> BadInput:
    cause = exc.strerror if isinstance(exc, OSError) else "it is no such PEM file"
    return BadInput(
        where=str(path),
        what=f"can't be read as a {wanted} ({cause})",
        would_do="name a PEM file that is one",
    )
