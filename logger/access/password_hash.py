"""A password as a broker keeps it: salted and stretched, so that the file gives none away.

The form is that of the broker mosquitto from version 2 on, ``$7$rounds$salt$hash`` with PBKDF2
(RFC 8018) over HMAC-SHA-512; from memory of its manual, and tried against the broker itself.
"""

from __future__ import annotations

import base64
import hashlib
import secrets

from logger.errors import BadInput

ROUNDS = 10_000
"""A broker that stretches longer stands still for everyone else meanwhile."""
LEAST_CHARACTERS = 12
_SALT_BYTES = 12


def password_line(user: str, password: str) -> str:
    """One line of a broker's password file, without its end.

    Args:
        user: the login's name.
        password: its password.

    Raises:
        BadInput: where the name would break the line, or the password is too short; the password
            itself is not told.
    """
    if not user or ":" in user or not user.isprintable():
        raise BadInput(
            where=f"user {user[:80]!r}",
            what="won't do as a login's name",
            would_do="printable characters without ':' will",
        )
    if len(password) < LEAST_CHARACTERS:
        raise BadInput(
            where=f"password of {user!r}",
            what=f"has {len(password)} characters",
            would_do=f"give {LEAST_CHARACTERS} or more",
        )
    salt = secrets.token_bytes(_SALT_BYTES)
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, ROUNDS)
    return f"{user}:$7${ROUNDS}${_base64(salt)}${_base64(digest)}"


def _base64(data: bytes) -> str:
    return base64.b64encode(data).decode("ascii")
