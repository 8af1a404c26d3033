"""Proof, against the running broker, that it refuses what it should; a line for each try.

With the rig file alone the recorder's login is tried: nobody without a name, nobody with a wrong
password, no publishing with a login that only reads, no reading beyond the sources. With the
folder that `slewtrace broker` made every login is tried: each device publishes on its own topic
and the recorder hears it; on no other topic, and it reads nothing.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from logger.access.secret import generate_secret, secret_in_file
from logger.errors import SourceUnavailable
from logger.live.broker.logins import RECORDER, Login, device_login, logins_of
from logger.live.broker.making import secret_file
from logger.readings.rig_file import RigFile
from logger.readings.rig_file import Source as SourceTable
from logger.sources.broker_access import password_of
from logger.sources.broker_probe import NO_READING, BrokerProbe, Unanswered, probing

HEARD_WITHIN_S = 3.0
QUIET_FOR_S = 0.3
"""After the recorder has a message, another login that is to have it too has it within this."""
_OF_THE_BROKER = "$SYS/broker/version"
"""A message that mosquitto keeps for whoever may read it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """One try.

    Attributes:
        what: what was tried, in words.
        holds: whether the broker did what it should; None where that can't be told.
        why: why it can't be told; empty otherwise.
        code: the finding's code where it does not hold.
    """

    what: str
    holds: bool | None
    why: str = ""
    code: str = ""

    def to_json(self) -> dict[str, Any]:
        """As a plain object."""
        return {"what": self.what, "holds": self.holds, "why": self.why or None}


def prove_nobody(*, refused: bool | None) -> Proof:
    """That a login without a name is refused.

    Args:
        refused: whether it was; None where the broker could not be reached.
    """
    why = "" if refused is not None else "the broker could not be reached"
    return Proof(what="a login without a name is refused", holds=refused, why=why)


def prove_source(source: SourceTable, environment: Mapping[str, str]) -> tuple[Proof, ...]:
    """What the login of a source of the rig file must not be able to do.

    Args:
        source: its table, of kind ``mqtt``; without ``user`` there is nothing to prove but that
            nobody else needs one either, which is told elsewhere.
        environment: where its password may be.
    """
    if source.user is None:
        return ()
    topic = source.topic or ""
    beside = f"slewtrace-probe/{secrets.token_hex(6)}"
    ways: list[tuple[str, str, Callable[[], bool]]] = [
        (
            f"a wrong password of {source.user!r} is refused",
            "wrong_password_let_in",
            lambda: not _comes_in(source, source.user, generate_secret()),
        ),
        (
            f"{source.user!r} reads and may not publish on {topic!r}",
            "reader_may_publish",
            lambda: not _tries(source, environment, lambda p: p.may_publish(_plain(topic))),
        ),
        (
            f"{source.user!r} may not publish on a topic that is nobody's",
            "login_may_publish_anywhere",
            lambda: not _tries(source, environment, lambda p: p.may_publish(beside)),
        ),
        (
            f"{source.user!r} may not read beyond the sources",
            "login_may_read_anything",
            lambda: not _tries(source, environment, _reads_of_the_broker),
        ),
    ]
    return tuple(_proof(what, code, way) for what, code, way in ways)


def prove_device(source: SourceTable, rig: RigFile, folder: Path) -> tuple[Proof, ...]:
    """What the login of a source's device can and can't do.

    Args:
        source: its table, of kind ``mqtt``.
        rig: the rig file, which leads to the running broker.
        folder: what `slewtrace broker` made; a login whose password is not in it is not tried.

    Raises:
        BadInput: where a password's file can't be used.
    """
    logins = logins_of(rig)
    name = device_login(source.id)
    passwords = {
        login.name: secret_in_file(secret_file(folder, login.name), where=f"login {login.name!r}")
        for login in logins
        if secret_file(folder, login.name).exists()
    }
    if name not in passwords:
        why = f"its password is not in {folder}"
        return (Proof(what=f"what {name!r} may do", holds=None, why=why),)
    sources = [s for s in rig.source if s.kind == "mqtt"]
    return tuple(_prove_device(source, sources, logins, passwords))


def _prove_device(
    source: SourceTable,
    sources: Sequence[SourceTable],
    logins: Sequence[Login],
    passwords: Mapping[str, str],
) -> Iterator[Proof]:
    name, topic = device_login(source.id), _plain(source.topic or "")
    others = [_plain(s.topic or "") for s in sources if s.topic != source.topic]
    recorder = next(login for login in logins if login.name == RECORDER)
    others += [_plain(t) for t in recorder.writes]
    yield _proof(
        f"a wrong password of {name!r} is refused",
        "wrong_password_let_in",
        lambda: not _comes_in(source, name, generate_secret()),
    )
    yield _proof(
        f"{name!r} publishes on its own topic {topic!r}",
        "device_kept_out",
        lambda: _publishes(source, name, passwords, topic),
    )
    for other in (*others, f"slewtrace-probe/{secrets.token_hex(6)}"):
        yield _proof(
            f"{name!r} may not publish on {other!r}",
            "device_may_publish_elsewhere",
            lambda other=other: not _publishes(source, name, passwords, other),  # type: ignore[misc]  # mypy can't type a default
        )
    for writer in sources:
        if device_login(writer.id) not in passwords:
            continue
        yield _proof(
            f"{name!r} may not read {writer.topic!r}",
            "device_may_read",
            lambda writer=writer: not _overhears(source, name, writer, passwords),  # type: ignore[misc]  # as above
        )


def _proof(what: str, code: str, way: Callable[[], bool]) -> Proof:
    try:
        return Proof(what=what, holds=way(), code=code)
    except (Unanswered, SourceUnavailable) as exc:
        return Proof(what=what, holds=None, why=str(exc), code=code)


def _comes_in(source: SourceTable, user: str | None, password: str) -> bool:
    with probing(source, user=user, password=password) as probe:
        return probe.comes_in()


def _tries(
    source: SourceTable, environment: Mapping[str, str], way: Callable[[BrokerProbe], bool]
) -> bool:
    password = password_of(source, environment, where=f"source {source.id!r}")
    with probing(source, user=source.user, password=password) as probe:
        _enter(probe)
        return way(probe)


def _publishes(source: SourceTable, user: str, passwords: Mapping[str, str], topic: str) -> bool:
    with probing(source, user=user, password=passwords[user]) as probe:
        _enter(probe)
        return probe.may_publish(topic)


def _reads_of_the_broker(probe: BrokerProbe) -> bool:
    return probe.subscribe(_OF_THE_BROKER) and probe.hears(_OF_THE_BROKER, within_s=QUIET_FOR_S)


def _overhears(
    source: SourceTable, listener: str, writer: SourceTable, passwords: Mapping[str, str]
) -> bool:
    """Whether a login gets what a device publishes.

    Raises:
        Unanswered: where the message was not seen to be delivered to anyone, so that silence
            would prove nothing.
    """
    writer_login, topic = device_login(writer.id), _plain(writer.topic or "")
    with ExitStack() as ends:
        there = {
            name: ends.enter_context(probing(source, user=name, password=passwords.get(name)))
            for name in dict.fromkeys((listener, writer_login, RECORDER))
            if name in passwords
        }
        for probe in there.values():
            _enter(probe)
        listens = there[listener].subscribe(writer.topic or "")
        recorder = there.get(RECORDER)
        if recorder is not None:
            recorder.subscribe(writer.topic or "")
        message = NO_READING.replace(b"probe", b"probe-" + secrets.token_hex(4).encode())
        if not there[writer_login].may_publish(topic, message):
            raise Unanswered(f"{writer_login!r} may not publish on {topic!r} itself")
        if recorder is not None and not recorder.hears(topic, message, within_s=HEARD_WITHIN_S):
            raise Unanswered("the recorder's login did not hear it either")
        return listens and there[listener].hears(topic, message, within_s=QUIET_FOR_S)


def _enter(probe: BrokerProbe) -> None:
    if not probe.comes_in():
        raise Unanswered("the broker refuses this login")


def _plain(topic: str) -> str:
    """A topic to publish on: in place of each wildcard a name that nobody has."""
    parts = ("slewtrace-probe" if p in ("+", "#") else p for p in topic.split("/"))
    return "/".join(parts)
