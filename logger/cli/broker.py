"""The command ``broker``."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated
from urllib.parse import urlsplit

import typer

from logger.cli.options import JsonOption, RigOption, read_rig_file
from logger.errors import BadInput

if TYPE_CHECKING:
    from logger.live.broker.configuration import Listener
    from logger.live.broker.logins import Login
    from logger.live.broker.making import MadeBroker
    from logger.readings.rig_file import RigFile, Source

USUAL_PORT = 8883
LARGEST_PORT = 65_535
LOOPBACK = ("localhost", "127.0.0.1")


def broker_command(
    rig: RigOption,
    out: Annotated[Path, typer.Option("-o", "--out", help="Folder for the broker's files.")],
    *,
    host: Annotated[
        list[str] | None,
        typer.Option("--host", help="Name or address by which it is reached; may be repeated."),
    ] = None,
    port: Annotated[
        int | None, typer.Option("--port", help="Port; by default that of mqtts in the rig file.")
    ] = None,
    run_as: Annotated[
        str, typer.Option("--run-as", help="User that a broker started by root becomes.")
    ] = "",
    password_env: Annotated[
        list[str] | None,
        typer.Option(
            "--password-env", help="LOGIN=VARIABLE: take a password from the environment."
        ),
    ] = None,
    renew: Annotated[
        bool, typer.Option("--renew", help="Only a new certificate, signed by the same authority.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Write the configuration of a broker that lets in nobody else: TLS, passwords, rules.

    For mosquitto; strong passwords are made and kept in files of their owner alone.

    Example: slewtrace broker --rig rig.toml -o broker --host bay-2.local
    """
    from logger.live.broker.logins import logins_of, sources_at_broker  # noqa: PLC0415
    from logger.live.broker.making import make_broker, renew_certificate  # noqa: PLC0415

    rig_file, _ = read_rig_file(rig)
    sources = sources_at_broker(rig_file, name=str(rig))
    hosts = _hosts(sources, host or [])
    now_utc = datetime.now(UTC)
    if renew:
        certificate = renew_certificate(out, hosts=hosts, now_utc=now_utc)
        typer.echo(certificate.in_words(now_utc=now_utc))
        typer.echo("Restart the broker. Devices and recorder stay as they are.", err=True)
        return
    _refuse_made(out)
    made = make_broker(
        out,
        rig_file.rig.id,
        logins_of(rig_file),
        listener=_listener(sources, port, run_as),
        hosts=hosts,
        variables=_variables(password_env or []),
        environment=os.environ,
        now_utc=now_utc,
    )
    url = f"mqtts://{_in_url(hosts[0])}:{_port(sources, port)}"
    if as_json:
        typer.echo(json.dumps(_document(made, rig_file, url), ensure_ascii=False))
        return
    _tell(made, rig_file, url, now_utc)


def _refuse_made(folder: Path) -> None:
    from logger.live.broker.configuration import CONFIGURATION  # noqa: PLC0415 - as the others

    if (folder / CONFIGURATION).exists():
        raise BadInput(
            where=str(folder / CONFIGURATION),
            what="is there already, and is never overwritten unasked",
            would_do="name another folder, or give --renew for a new certificate alone",
        )


def _hosts(sources: Sequence[Source], named: list[str]) -> list[str]:
    """By what the broker is reached: as named, else by the rig file; and from its own computer."""
    from_rig = urlsplit(sources[0].url or "").hostname or ""
    return list(dict.fromkeys([*(named or [from_rig]), *LOOPBACK]))


def _port(sources: Sequence[Source], port: int | None) -> int:
    parts = urlsplit(sources[0].url or "")
    from_rig = parts.port if parts.scheme == "mqtts" else None
    chosen = port or from_rig or USUAL_PORT
    if not 0 < chosen <= LARGEST_PORT:
        raise BadInput(where="--port", what=f"{chosen} is no port", would_do="give 1 to 65535")
    return chosen


def _listener(sources: Sequence[Source], port: int | None, run_as: str) -> Listener:
    from logger.live.broker.configuration import Listener  # noqa: PLC0415

    if run_as and not run_as.replace("-", "").replace("_", "").isalnum():
        raise BadInput(where="--run-as", what=f"{run_as!r} is no user", would_do="name one")
    return Listener(port=_port(sources, port), run_as=run_as)


def _variables(options: list[str]) -> dict[str, str]:
    found = {}
    for text in options:
        login, equals, variable = text.partition("=")
        if not (login and equals and variable):
            raise BadInput(
                where="--password-env",
                what=f"{text!r} won't do",
                would_do="write it like LOGIN=VARIABLE; a password itself never stands here",
            )
        found[login] = variable
    return found


def _in_url(host: str) -> str:
    return f"[{host}]" if ":" in host else host


def _keys(made: MadeBroker, url: str) -> list[str]:
    """The keys of the rig file for each table that goes to this broker."""
    from logger.live.broker.logins import RECORDER  # noqa: PLC0415

    variable = made.variables.get(RECORDER)
    password = (
        f"password_file = {_quoted(made.secret_file(RECORDER))}"
        if variable is None
        else f'password_env = "{variable}"'
    )
    return [
        f'url = "{url}"',
        f'user = "{RECORDER}"',
        password,
        f"ca = {_quoted(made.authority.certificate)}",
    ]


def _quoted(path: Path) -> str:
    return json.dumps(str(path), ensure_ascii=False)


def _password_of(made: MadeBroker, login: Login) -> str:
    variable = made.variables.get(login.name)
    return str(made.secret_file(login.name)) if variable is None else f"variable {variable}"


def _document(made: MadeBroker, rig: RigFile, url: str) -> dict[str, object]:
    from logger.live.broker.logins import logins_of  # noqa: PLC0415

    return {
        "format": "slewtrace.broker/1",
        "folder": str(made.folder),
        "url": url,
        "ca": str(made.authority.certificate),
        "fingerprint": made.authority.fingerprint,
        "until_utc": f"{made.server.until_utc:%Y-%m-%dT%H:%M:%SZ}",
        "rig_keys": _keys(made, url),
        "logins": [
            {
                "name": login.name,
                "purpose": login.purpose,
                "writes": list(login.writes),
                "reads": list(login.reads),
                "password": _password_of(made, login),
            }
            for login in logins_of(rig)
        ],
    }


def _tell(made: MadeBroker, rig: RigFile, url: str, now_utc: datetime) -> None:
    from logger.access.secret import unchecked  # noqa: PLC0415 - as the others
    from logger.live.broker.configuration import CONFIGURATION  # noqa: PLC0415
    from logger.live.broker.logins import logins_of  # noqa: PLC0415

    lines = [
        f"Written to {made.folder}: {made.server.in_words(now_utc=now_utc)}",
        "",
        "1. Start the broker (as a user who may read this folder; with --run-as, give it to them):",
        f"   mosquitto -c {made.folder / CONFIGURATION}",
        "",
        '2. In the rig file, in each [[source]] of kind "mqtt", in [alarm] mqtt and [republish]:',
        *(f"   {key}" for key in _keys(made, url)),
        "",
        f"3. Give each device {made.authority.certificate}, and its own login:",
    ]
    for login in logins_of(rig):
        may = [f"writes {t}" for t in login.writes] + [f"reads {t}" for t in login.reads]
        lines.append(f"   {login.name}: {'; '.join(may)}; password in {_password_of(made, login)}")
    lines += [
        "",
        f"4. Prove it: slewtrace check --rig RIG --broker {made.folder}",
        "",
        f"Compare on the device: authority's SHA-256 {made.authority.fingerprint}",
        "Keep ca.key where no device and no visitor reaches it: it signs for all who trust ca.crt.",
    ]
    lines += [note] if (note := unchecked()) else []
    typer.echo("\n".join(lines))
