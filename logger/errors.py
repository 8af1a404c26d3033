"""One error for each reaction of the caller.

SlewtraceError
├── BadInput            what a person gave can't be used: one line, exit code 2
│   ├── FileInvalid     a rig, test or table file: the person mends the file
│   ├── RunUnreadable   a journal or sealed run: another file, or `recover`
│   ├── SourceUnavailable   a port or broker that can't be opened: cable, permission, address
│   └── OutputFailed    standard output can't be written: another place for it
├── ReaderGone          whoever read standard output has gone: the command ends without a word
├── FrameInvalid        a frame from a sensor: counted and dropped, the next one is taken
└── StorageFailed       the disk refused: nothing since the last commit is claimed
"""

from __future__ import annotations


class SlewtraceError(Exception):
    """Root of every error that this project raises on purpose."""


class BadInput(SlewtraceError):
    """Input that can't be used.

    Attributes:
        where: the file, key, port or option at fault.
        what: what stands there and why it won't do.
        would_do: what would do instead; empty where nothing sensible can be said.
    """

    def __init__(self, *, where: str, what: str, would_do: str = "") -> None:
        self.where = where
        self.what = what
        self.would_do = would_do
        text = f"{where}: {what}"
        # One line whatever a hostile file holds: control characters would break the terminal.
        line = f"{text}; {would_do}" if would_do else text
        super().__init__("".join(c if c.isprintable() else "�" for c in line))


class FileInvalid(BadInput):
    """A file that people write (rig, test, table) can't be used."""


class RunUnreadable(BadInput):
    """A journal or a sealed run can't be read."""


class SourceUnavailable(BadInput):
    """A port or a broker can't be opened."""


class OutputFailed(BadInput, OSError):
    """Standard output can't be written: the disk is full, or it leads nowhere."""


class ReaderGone(SlewtraceError, OSError):
    """Standard output is a pipe whose reader has gone; no one's mistake.

    No ``BrokenPipeError``, which libraries would end the program for with a code of theirs.
    """


class FrameInvalid(SlewtraceError):
    """One frame from a sensor can't be decoded; it is counted and dropped."""


class StorageFailed(SlewtraceError):
    """The disk refused a write or a sync; nothing since the last commit is claimed."""
