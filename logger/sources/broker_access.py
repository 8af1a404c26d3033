"""What opens a broker's door: a secret from outside the rig file, and who is trusted."""

from __future__ import annotations

import ssl
from collections.abc import Mapping
from typing import Protocol

from logger.access.secret import secret_from
from logger.errors import BadInput, SourceUnavailable


class Login(Protocol):
    """A table of the rig file that says where a login's password is."""

    @property
    def password_env(self) -> str | None:
        """The environment's variable that holds it."""

    @property
    def password_file(self) -> str | None:
        """The file that holds it, which only its owner may read."""


def password_of(login: Login, environment: Mapping[str, str], *, where: str) -> str | None:
    """A login's password, from the environment or a file; never from one that is copied about.

    Args:
        login: where it is.
        environment: the variables.
        where: what to name in an error.

    Returns:
        The password, or None where none is used.

    Raises:
        SourceUnavailable: where the variable is not set, or others may read the file.
    """
    key = "password_env" if login.password_env else "password_file"
    try:
        return secret_from(
            variable=login.password_env,
            file=login.password_file,
            environment=environment,
            where=f"{where}, {key}",
        )
    except BadInput as exc:
        raise SourceUnavailable(where=exc.where, what=exc.what, would_do=exc.would_do) from exc


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
