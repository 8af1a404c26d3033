"""``[record]``: what a report of the test asks for that no sensor tells.

It may stand in ``test.toml``, and then lies in the sealed run. What is known only later (who the
customer is, who authorises) may stand in a file of its own beside the run. Such a file adds; it
never says otherwise than the run does.
"""

from __future__ import annotations

from pydantic import Field

from logger.readings.toml_file import PLAUSIBLE_TEXT, Table, read_toml

_LONGEST_STATEMENT = 1000


class Record(Table):
    """The ``[record]`` table; a key that is left out is told as such on the record."""

    laboratory: str = Field(default="", max_length=PLAUSIBLE_TEXT)
    """Who carries out the test, with the address."""
    customer: str = Field(default="", max_length=PLAUSIBLE_TEXT)
    approver: str = Field(default="", max_length=PLAUSIBLE_TEXT)
    """Who authorises the record."""
    procedure: str = Field(default="", max_length=PLAUSIBLE_TEXT)
    """The written procedure that was followed, with its version."""
    truck: str = Field(default="", max_length=_LONGEST_STATEMENT)
    """What tells this truck from every other: plate, chassis number."""
    crane: str = Field(default="", max_length=_LONGEST_STATEMENT)
    """The same of the crane: type, serial number."""
    configuration: str = Field(default="", max_length=_LONGEST_STATEMENT)
    """As it was tested: body, outriggers, ballast, tank, tyre pressure."""
    condition: str = Field(default="", max_length=_LONGEST_STATEMENT)
    """What was seen on the truck and the crane before the test."""
    ground: str = Field(default="", max_length=_LONGEST_STATEMENT)
    level: str = Field(default="", max_length=_LONGEST_STATEMENT)
    """How level the truck stood, where no sensor tells it."""
    wind: str = Field(default="", max_length=_LONGEST_STATEMENT)
    temperature: str = Field(default="", max_length=PLAUSIBLE_TEXT)
    deviations: str = Field(default="", max_length=_LONGEST_STATEMENT)
    """From the method or the procedure; "none" is a statement too."""


class LaterRecord(Record):
    """The same in a file beside a run, which may also name what ``[test]`` left out."""

    site: str = Field(default="", max_length=PLAUSIBLE_TEXT)
    operator: str = Field(default="", max_length=PLAUSIBLE_TEXT)
    engineer: str = Field(default="", max_length=PLAUSIBLE_TEXT)
    witness: str = Field(default="", max_length=PLAUSIBLE_TEXT)


class RecordFile(Table):
    """A whole file beside a run."""

    record: LaterRecord


def read_record(text: str, *, name: str = "record.toml") -> LaterRecord:
    """Reads a file with what a run leaves out.

    Args:
        text: the file's text.
        name: the file's name, for errors.

    Raises:
        FileInvalid: in one line for the person who wrote it.
    """
    return read_toml(text, model=RecordFile, name=name).record
