"""One recorder of this computer for each session at a broker.

A recorder's sessions have names that stay the same, so that a broker keeps what came while a
connection was down. A broker gives a session to whoever came for it last: a second recorder of
the rig would throw the first one out and drop what was kept for it. So a recorder claims its
sessions before it speaks to any broker, each by a lock on a small file in the user's runtime
folder. The lock goes with the process, however it ends. Where there are no locks or no such
folder, and for recorders of other users and computers, nothing is claimed; the broker then says
who has lost a session, and the source tells it.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from collections.abc import Iterable, Iterator
from pathlib import Path

from logger.errors import SourceUnavailable
from logger.live.live_recordings import live_recordings, safe_runtime_folder
from logger.operating_system import HAS_FILE_LOCKS, lock_file
from logger.sources.broker_client import BrokerSession

_ENDING = ".session"
_LOOPBACK = "127.0.0.1"
_LARGEST_BYTES = 32


@contextlib.contextmanager
def claimed(sessions: Iterable[BrokerSession]) -> Iterator[None]:
    """Keeps other recorders of this computer out of sessions until it is left.

    Args:
        sessions: the sessions; nobody has spoken to their brokers yet.

    Raises:
        SourceUnavailable: of the first that another recorder has; none is claimed then.
    """
    with contextlib.ExitStack() as held:
        for session in sessions:
            held.enter_context(_claimed(session))
        yield


@contextlib.contextmanager
def _claimed(session: BrokerSession) -> Iterator[None]:
    claim = _claim(session)
    try:
        yield
    finally:
        if claim is not None:
            path, descriptor = claim
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)
            os.close(descriptor)


def _claim(session: BrokerSession) -> tuple[Path, int] | None:
    """The locked file; None where there can be none."""
    if not HAS_FILE_LOCKS:
        return None
    with contextlib.suppress(OSError):
        path = safe_runtime_folder() / _file_name(session)
        try:
            return path, _locked(path)
        except BlockingIOError as exc:
            raise _held(session, path) from exc
    return None


def _locked(path: Path) -> int:
    """Opens and locks a file that says whose the lock is.

    Raises:
        BlockingIOError: where another has it.
        OSError: where it can't be made or locked.
    """
    while True:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
        try:
            lock_file(descriptor)
            if _is_there(path, descriptor):
                os.ftruncate(descriptor, 0)
                os.write(descriptor, str(os.getpid()).encode())
                return descriptor
        except BaseException:
            os.close(descriptor)
            raise
        os.close(descriptor)


def _is_there(path: Path, descriptor: int) -> bool:
    """Whether a name still is that of an open file: one that ends removes its own."""
    try:
        return os.path.samestat(path.stat(), os.fstat(descriptor))
    except FileNotFoundError:
        return False


def _file_name(session: BrokerSession) -> str:
    broker = session.broker
    host = broker.host.lower()
    host = _LOOPBACK if host in ("localhost", "::1") else host
    key = f"{host}:{broker.port} {session.client_id}"
    return f"{hashlib.sha256(key.encode()).hexdigest()[:32]}{_ENDING}"


def _held(session: BrokerSession, path: Path) -> SourceUnavailable:
    return SourceUnavailable(
        where=session.where,
        what=(
            f"another recorder of this computer{_holder(path)} has the session "
            f"{session.client_id!r} at the broker {session.broker}"
        ),
        would_do="end it, or give one of the two rig files another [rig] id",
    )


def _holder(path: Path) -> str:
    """Who has a lock, as far as that is known: its run, else its process."""
    try:
        pid = int(path.read_bytes()[:_LARGEST_BYTES])
    except (OSError, ValueError):
        return ""
    runs = [e.run_id for e in live_recordings() if e.pid == pid]
    return f" (run {runs[0]!r})" if runs else f" (process {pid})"
