"""What a guided step is: something a person does, what is heard meanwhile, and a pure judgement.

A step knows no terminal and no clock. The guide tells the person what it asks for, gathers the
readings and hands them over; a test does the same with readings of its own making.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Protocol, TypeAlias

from logger.live.check.findings import Finding, Severity
from logger.live.check.listening import Heard

STILL_S = 2.0
"""How long a reading is averaged, s: the boom and the load are to be still for it."""

HeardBy: TypeAlias = Mapping[str, Heard]
"""What came since the step began, by channel id."""


class Way(StrEnum):
    """How a step is carried out."""

    WATCH = "watch"
    """The person does something; the step ends when it was seen, or when they say so."""
    STILL = "still"
    """The person makes ready and says so; then readings are averaged."""


class Outcome(StrEnum):
    """How a step ended."""

    PASSED = "passed"
    CAUTION = "caution"
    FAILED = "failed"
    NOT_EXERCISED = "not exercised"


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """How a step ended, and what it measured.

    Attributes:
        text: one line for a person.
        figures: what was measured, plain numbers and texts, unit at the end of each name.
        findings: what is wrong; their worst severity is the outcome.
    """

    text: str
    figures: Mapping[str, Any] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()

    @property
    def outcome(self) -> Outcome:
        """Passed, a caution, or failed."""
        severities = {f.severity for f in self.findings}
        if Severity.NOT_READY in severities:
            return Outcome.FAILED
        return Outcome.CAUTION if Severity.CAUTION in severities else Outcome.PASSED


class Step(Protocol):
    """One guided step."""

    @property
    def name(self) -> str:
        """What it is, for programs, such as ``wheel_switch``."""

    @property
    def title(self) -> str:
        """What it is, for a person."""

    @property
    def channels(self) -> tuple[str, ...]:
        """The channels it is about, by id."""

    @property
    def listens_to(self) -> tuple[str, ...]:
        """The channels whose readings it is judged on, by id."""

    @property
    def needs(self) -> str:
        """Name of the step without which, where it failed, this one makes no sense; else empty."""

    @property
    def way(self) -> Way:
        """How it is carried out."""

    @property
    def to_do(self) -> str:
        """What the person is asked to do."""

    @property
    def asks_for(self) -> str:
        """The quantity the person is asked to type, in words; empty where none."""

    def read_answer(self, text: str) -> None:
        """Checks what the person typed.

        Raises:
            ValueError: in words for the person.
        """

    def is_seen(self, heard: HeardBy, *, now_ns: int) -> bool:
        """Whether what was asked for has happened, so that a watch may end."""

    def judge(self, heard: HeardBy, *, answer: str = "") -> Judgement:
        """Judges what was heard.

        Args:
            heard: readings since the step began.
            answer: what the person typed, already checked.
        """
