"""What a check found, how bad it is, and the word at its end.

A finding names the culprit and says what would mend it. One that makes the test worthless makes
the rig *not ready*; one that a person should weigh is a *caution*; a *note* changes nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Severity(StrEnum):
    """How bad a finding is, worst first."""

    NOT_READY = "not_ready"
    CAUTION = "caution"
    NOTE = "note"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing that a check found.

    Attributes:
        code: what it is, for programs.
        severity: how bad it is.
        where: source, channel or step.
        text: what is so, one line.
        would_do: what would mend it; empty where nothing sensible can be said.
    """

    code: str
    severity: Severity
    where: str
    text: str
    would_do: str = ""

    def to_json(self) -> dict[str, str]:
        """As a plain object for the report."""
        return {
            "code": self.code,
            "severity": str(self.severity),
            "where": self.where,
            "text": self.text,
            "would_do": self.would_do,
        }


def of_source(
    source_id: str, code: str, severity: Severity, text: str, would_do: str = ""
) -> Finding:
    """A finding about a source."""
    return Finding(
        code=code, severity=severity, where=f"source {source_id!r}", text=text, would_do=would_do
    )


def of_channel(
    channel_id: str, code: str, severity: Severity, text: str, would_do: str = ""
) -> Finding:
    """A finding about a channel."""
    return Finding(
        code=code, severity=severity, where=f"channel {channel_id!r}", text=text, would_do=would_do
    )


class Verdict(StrEnum):
    """What a check ends with."""

    READY = "ready"
    READY_WITH_CAUTIONS = "ready_with_cautions"
    NOT_READY = "not_ready"


def verdict_of(findings: list[Finding]) -> Verdict:
    """The worst of what was found."""
    found = {f.severity for f in findings}
    if Severity.NOT_READY in found:
        return Verdict.NOT_READY
    return Verdict.READY_WITH_CAUTIONS if Severity.CAUTION in found else Verdict.READY


def last_line(findings: list[Finding]) -> str:
    """The check's last line."""
    bad = sum(f.severity is Severity.NOT_READY for f in findings)
    if bad:
        return f"not ready ({bad})"
    cautions = sum(f.severity is Severity.CAUTION for f in findings)
    return f"ready, with cautions ({cautions})" if cautions else "ready"


def worst_first(findings: list[Finding]) -> list[Finding]:
    """Findings in order of severity, else as they were found."""
    order = list(Severity)
    return sorted(findings, key=lambda f: order.index(f.severity))
