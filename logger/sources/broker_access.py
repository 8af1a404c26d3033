"""What opens a broker's door: a password from the environment, and whose certificate is trusted."""

from __future__ import annotations

import ssl
from collections.abc import Mapping

from logger.errors import SourceUnavailable


def password_from(name: str | None, environment: Mapping[str, str], *, where: str) -> str | None:
    """A password from the environment; never from a file that may be copied about.

    Args:
        name: the variable, or None where no password is used.
        environment: the variables.
        where: what to name in an error.

    Raises:
        SourceUnavailable: where the variable is not set.
    """
    if name is None:
        return None
    if name not in environment:
        raise SourceUnavailable(
            where=f"{where}, password_env",
            what=f"the environment has no variable {name!r}",
            would_do=f"set it before the start: export {name}=…",
        )
    return environment[name]


def tls_trusting(ca: str | None, *, where: str) -> ssl.SSLContext:
    """TLS that trusts an authority's certificate file, or the system's authorities.

    Args:
        ca: the PEM file, or None.
        where: what to name in an error.

    Raises:
        SourceUnavailable: where the file is no certificate.
    """
    try:
        return ssl.create_default_context(cafile=ca)
    except (OSError, ValueError) as exc:
        raise SourceUnavailable(
            where=f"{where}, ca",
            what=f"{ca!r} is no CA certificate: {exc}",
            would_do="give the PEM file of the authority that signed the broker's certificate",
        ) from exc
