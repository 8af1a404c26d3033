"""What people state on the record: from the run's test file, and from a file beside the run."""

from __future__ import annotations

from dataclasses import dataclass

from dashboard.sheet.blocks import missing
from logger.errors import FileInvalid
from logger.readings.record_table import LaterRecord
from logger.readings.test_file import TestFile

_OF_TEST = ("site", "operator", "engineer", "witness")
ADDED_LATER = "(stated after the run was sealed)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """Statements by key.

    Attributes:
        sealed: those of the test file in the run.
        later: those that were added beside the run.
    """

    sealed: dict[str, str]
    later: dict[str, str]

    def text(self, key: str) -> str:
        """A statement as it was written; empty where nobody made it."""
        return self.sealed.get(key) or self.later.get(key, "")

    def words(self, key: str, *, reason: str = "") -> str:
        """A statement for the record, or why it is missing.

        Args:
            key: its name in the files.
            reason: why it may be missing; else that the test file does not state it.
        """
        if self.sealed.get(key):
            return self.sealed[key]
        if self.later.get(key):
            return f"{self.later[key]} {ADDED_LATER}"
        return missing(reason or "the test file does not state it")


def stated(test: TestFile, later: LaterRecord | None = None, *, name: str = "") -> Stated:
    """The statements of a run and of a file beside it.

    Args:
        test: the test file in the run.
        later: what was written afterwards; None where there is nothing.
        name: that file's name, for errors.

    Raises:
        FileInvalid: where the later file says otherwise than the sealed run.
    """
    of_test = {key: getattr(test.test, key) for key in _OF_TEST}
    sealed = {k: str(v).strip() for k, v in (test.record.model_dump() | of_test).items()}
    added = {} if later is None else {k: str(v).strip() for k, v in later.model_dump().items()}
    for key, text in added.items():
        if text and sealed.get(key) and sealed[key] != text:
            raise FileInvalid(
                where=f"{name}, [record] {key}",
                what=f"{_short(text)!r} is not what the sealed run states, {_short(sealed[key])!r}",
                would_do="leave it out: such a file only adds what the run leaves open",
            )
    return Stated(sealed=sealed, later=added)


def _short(text: str) -> str:
    return text if len(text) <= 40 else f"{text[:39]}…"
