"""What is asked of a worker for one file of a fleet, and what it answers."""

from __future__ import annotations

from dataclasses import dataclass

from dashboard.catalogue.rows import Row

LONGEST_REASON = 300
"""Characters; a reason is one line beside thousands."""

Key = tuple[str, str]
"""What a row is of: content hash of the run, and hash of the corrections on it, empty for none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """A file to be looked at.

    Attributes:
        runs: the fleet's folder or URL.
        path: the file, from there on, with slashes.
        known: keys that it may well have, of which rows are there already.
    """

    runs: str
    path: str
    known: tuple[Key, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What came of a file.

    Attributes:
        path: as in the task.
        key: its key; hashes are empty where the file states none.
        run_id: of the run; empty where the file is set aside.
        run: its row; None where the key was known, or the file is set aside.
        sectors: its sectors' rows.
        reason: why it is set aside; empty where it is not.
        passing: whether the reason may have nothing to do with what the file holds, so that it
            is to be tried again although it did not change.
    """

    path: str
    key: Key = ("", "")
    run_id: str = ""
    run: Row | None = None
    sectors: tuple[Row, ...] = ()
    reason: str = ""
    passing: bool = False


def one_line(reason: str) -> str:
    """A reason without anything that would break a line, and not too long."""
    line = "".join(c if c.isprintable() else " " for c in reason)
    return line if len(line) <= LONGEST_REASON else f"{line[: LONGEST_REASON - 1]}…"
