"""A broker's folder: certificates, rules, password file, and a secret's file for each login.

Every file that holds a secret is its owner's alone from its first byte on. The broker itself gets
hashes; what a person or a device needs lies in ``secrets``, and nothing of it is ever printed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from logger.access.certificate import (
    CA_CERTIFICATE,
    CA_KEY,
    SERVER_CERTIFICATE,
    SERVER_KEY,
    Certificate,
    make_authority,
    make_server_certificate,
    read_authority,
)
from logger.access.hosts import check_hosts
from logger.access.password_hash import password_line
from logger.access.private_file import FOR_ALL_TO_READ, OWNER_ONLY, refuse_taken, write_whole
from logger.access.secret import generate_secret, secret_in_environment
from logger.errors import BadInput, StorageFailed
from logger.live.broker.configuration import (
    CONFIGURATION,
    PASSWORDS,
    RULES,
    SECRETS,
    STATE,
    Listener,
    configuration_text,
    rules_text,
)
from logger.live.broker.logins import Login

OWNER_ONLY_FOLDER = 0o700


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeBroker:
    """A folder that was made.

    Attributes:
        folder: the folder.
        authority: the authority's certificate, for every device and browser.
        server: the broker's.
        variables: by login, the environment's variable that holds its password; all others have
            a file.
    """

    folder: Path
    authority: Certificate
    server: Certificate
    variables: Mapping[str, str]

    def secret_file(self, login: str) -> Path:
        """The file of a login's password."""
        return secret_file(self.folder, login)


def secret_file(folder: Path, login: str) -> Path:
    """The file of a login's password in a broker's folder."""
    return folder / SECRETS / f"{login}.password"


def make_broker(
    folder: Path,
    rig_id: str,
    logins: Sequence[Login],
    *,
    listener: Listener,
    hosts: Sequence[str],
    variables: Mapping[str, str],
    environment: Mapping[str, str],
    now_utc: datetime,
) -> MadeBroker:
    """Makes a broker's folder; nothing that is there is replaced.

    Args:
        folder: where to; made where it is missing.
        rig_id: whose broker it is.
        logins: who may come.
        listener: where it listens.
        hosts: names and addresses by which it is reached.
        variables: by login, the environment's variable that holds its password; for all others
            one is made.
        environment: the variables.
        now_utc: the current time, UTC.

    Raises:
        BadInput: where a file is there already, or a host or password won't do.
        StorageFailed: where the disk refuses.
    """
    folder = folder.absolute()
    _refuse_unknown(variables, logins)
    _refuse_line_ends(folder)
    check_hosts(hosts)
    passwords = {
        login.name: secret_in_environment(
            variables[login.name], environment, where=f"password of {login.name!r}"
        )
        if login.name in variables
        else generate_secret()
        for login in logins
    }
    hashed = "".join(f"{password_line(n, p)}\n" for n, p in passwords.items())
    _make_folder(folder)
    for name in (
        CA_CERTIFICATE,
        CA_KEY,
        SERVER_CERTIFICATE,
        SERVER_KEY,
        CONFIGURATION,
        RULES,
        PASSWORDS,
        SECRETS,
    ):
        refuse_taken(folder / name)
    authority = make_authority(folder, name=f"broker of {rig_id}"[:64], now_utc=now_utc)
    server = make_server_certificate(authority, folder, hosts=hosts, now_utc=now_utc)
    for name in (SECRETS, STATE):
        _make_folder(folder / name)
    for name, password in passwords.items():
        if name not in variables:
            secret = f"{password}\n".encode()
            write_whole(secret_file(folder, name), secret, mode=OWNER_ONLY)
    write_whole(folder / PASSWORDS, hashed.encode(), mode=OWNER_ONLY)
    write_whole(folder / RULES, rules_text(rig_id, logins).encode(), mode=OWNER_ONLY)
    text = configuration_text(rig_id, folder, listener)
    write_whole(folder / CONFIGURATION, text.encode(), mode=FOR_ALL_TO_READ)
    return MadeBroker(folder=folder, authority=authority, server=server, variables=variables)


def renew_certificate(folder: Path, *, hosts: Sequence[str], now_utc: datetime) -> Certificate:
    """Makes the broker's certificate anew; its authority stays, so every device stays as it is.

    Args:
        folder: the broker's folder.
        hosts: names and addresses by which it is reached.
        now_utc: the current time, UTC.

    Raises:
        BadInput: where the folder has no authority that may sign, or a host is none.
        StorageFailed: where the disk refuses.
    """
    folder = folder.absolute()
    authority = read_authority(folder)
    return make_server_certificate(authority, folder, hosts=hosts, now_utc=now_utc, replace=True)


def _refuse_unknown(variables: Mapping[str, str], logins: Sequence[Login]) -> None:
    known = [login.name for login in logins]
    for name in variables:
        if name not in known:
            raise BadInput(
                where="--password-env",
                what=f"there is no login {name!r}",
                would_do=f"logins are {', '.join(known)}",
            )


def _refuse_line_ends(folder: Path) -> None:
    """A path stands in a line of the configuration as it is."""
    if not str(folder).isprintable():
        raise BadInput(where=str(folder), what="won't do as a folder", would_do="name another")


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(mode=OWNER_ONLY_FOLDER, parents=True, exist_ok=True)
    except OSError as exc:
        raise StorageFailed(f"{folder}: can't be made ({exc.strerror or exc})") from exc
