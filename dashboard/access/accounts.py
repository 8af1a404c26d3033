"""The two passwords, kept as hashes only.

Argon2id is what RFC 9106 and OWASP name first: it costs whoever steals a hash memory besides time,
which scrypt does too, but Argon2's hash carries its own parameters in one standard line, so a file
may hold the hash in place of the password. The library's parameters are the RFC's for little
memory: 64 MiB and three passes.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from argon2 import PasswordHasher, Type, extract_parameters
from argon2.exceptions import Argon2Error, InvalidHashError

from dashboard.access.visit import Role
from logger.errors import BadInput

FEWEST_CHARACTERS = 12
LONGEST_PASSWORD = 1024
_HASH_BEGINS = "$argon2"


def hashed(password: str, *, where: str) -> str:
    """A password's hash, or the hash itself where one was given.

    Args:
        password: as a person types it, or a line that begins with ``$argon2id$``.
        where: what to name in an error; the password is never named.

    Raises:
        BadInput: where it is too short or too long, or begins like a hash and is none.
    """
    if password.startswith(_HASH_BEGINS):
        return _checked_hash(password, where=where)
    if len(password) < FEWEST_CHARACTERS:
        raise BadInput(
            where=where,
            what=f"has {len(password)} characters",
            would_do=f"at least {FEWEST_CHARACTERS}: a few words that nobody guesses",
        )
    if len(password) > LONGEST_PASSWORD:
        raise BadInput(where=where, what=f"has more than {LONGEST_PASSWORD} characters")
    return PasswordHasher().hash(password)


def _checked_hash(line: str, *, where: str) -> str:
    try:
        sound = extract_parameters(line).type is Type.ID
    except InvalidHashError:
        sound = False
    if not sound:
        raise BadInput(
            where=where,
            what="begins like a hash and is none of Argon2id",
            would_do="make one with: slewtrace password FILE",
        )
    return line


@dataclass(frozen=True, slots=True, kw_only=True)
class Accounts:
    """Who may sign in.

    Attributes:
        hashes: the hash of each role's password, the engineer's always; a role without one can't
            sign in.
        matches: says whether a hash is a password's, in a time that tells nothing of it.
    """

    hashes: Mapping[Role, str]
    matches: Callable[[str, str], bool]

    def role_of(self, name: str, password: str) -> Role | None:
        """The role of a name and its password; None where the two don't go together.

        For an unknown name the engineer's hash is compared all the same, so neither the answer
        nor its time tells which names there are.
        """
        role = next((r for r in self.hashes if r == name.strip().lower()), None)
        fits = self.matches(self.hashes[role or Role.ENGINEER], password[:LONGEST_PASSWORD])
        return role if fits else None


def make_accounts(hashes: Mapping[Role, str]) -> Accounts:
    """Accounts whose passwords are compared by Argon2."""
    return Accounts(hashes=dict(hashes), matches=_matches)


def _matches(line: str, password: str) -> bool:
    try:
        return PasswordHasher().verify(line, password)
    except Argon2Error:
        return False
