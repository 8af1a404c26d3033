"""Standard output and standard error that fail in words.

A full disk under ``> result.json`` is a person's mistake to mend, and a reader of a pipe that has
gone (``| head``) is no one's. Neither may end with exit code 1, which says that a test proved
nothing. So what is written goes through a stream whose errors tell where they come from.
"""

from __future__ import annotations

import contextlib
import io
import sys
import threading
from collections.abc import Iterator
from typing import Protocol

from logger.errors import OutputFailed, ReaderGone

_PATIENCE_S = 0.5


class _Sink(Protocol):
    """What a stream of this process writes its bytes to."""

    def write(self, content: memoryview, /) -> int | None:
        """Writes some of the bytes, and says how many."""

    def fileno(self) -> int:
        """The descriptor."""

    def isatty(self) -> bool:
        """Whether it is a terminal."""


class _Watched(io.RawIOBase):
    """Bytes on their way out; an error becomes one of ours, or nothing where it is to be quiet."""

    def __init__(self, sink: _Sink, *, quiet: bool) -> None:
        super().__init__()
        self._sink = sink
        self.quiet = quiet

    def writable(self) -> bool:
        return True

    def fileno(self) -> int:
        return self._sink.fileno()

    def isatty(self) -> bool:
        return self._sink.isatty()

    def write(self, content: memoryview, /) -> int | None:  # type: ignore[override]
        try:
            return self._sink.write(content)
        except BlockingIOError:
            raise
        except OSError as exc:
            if self.quiet:
                return len(content)
            if isinstance(exc, BrokenPipeError):
                raise ReaderGone("the reader of standard output has gone") from exc
            raise OutputFailed(
                where="standard output",
                what=f"can't be written ({exc.strerror or exc})",
                would_do="send it to where there is room and you may write",
            ) from exc


@contextlib.contextmanager
def output_fails_in_words() -> Iterator[None]:
    """Within it, standard output fails as below.

    Raises:
        OutputFailed: where standard output can't be written, at the latest at the end.
        ReaderGone: where it is a pipe whose reader has gone.
    """
    with _watched("stdout", quiet=False):
        yield


@contextlib.contextmanager
def warnings_never_fail() -> Iterator[None]:
    """Within it, what can't be written to standard error is dropped.

    Progress and warnings that nobody can read end no command, and change no exit code.
    """
    with _watched("stderr", quiet=True):
        yield


def _flush_if_free(stream: io.TextIOWrapper) -> None:
    """Flushes unless that has to wait: for a thread that writes to a terminal that stands still."""
    flushing = threading.Thread(target=stream.flush, daemon=True)
    flushing.start()
    flushing.join(_PATIENCE_S)


@contextlib.contextmanager
def _watched(name: str, *, quiet: bool) -> Iterator[None]:
    plain = getattr(sys, name)
    buffer = getattr(plain, "buffer", None)
    sink = getattr(buffer, "raw", buffer)
    if not isinstance(plain, io.TextIOWrapper) or not isinstance(sink, io.RawIOBase):
        yield  # closed, or a test's
        return
    plain.flush()
    raw = _Watched(sink, quiet=quiet)
    watched = io.TextIOWrapper(
        io.BufferedWriter(raw),  # type: ignore[type-var]  # None, where a sink would wait, is right
        encoding=plain.encoding,
        errors=plain.errors,
        newline="\r\n" if sys.platform == "win32" else "\n",
        line_buffering=plain.line_buffering,
        write_through=plain.write_through,
    )
    setattr(sys, name, watched)
    try:
        yield
    finally:
        setattr(sys, name, plain)
        try:
            if quiet:
                _flush_if_free(watched)
            else:
                watched.flush()
        finally:
            raw.quiet = True  # what could not be written is not tried again at the very end
