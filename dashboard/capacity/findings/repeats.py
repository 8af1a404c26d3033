"""Findings about repeated sweeps that give two answers for one truck."""

from __future__ import annotations

from collections.abc import Iterator

from dashboard.capacity.findings.finding import Finding, Place, Severity
from dashboard.capacity.proof.evidence import Evidence
from dashboard.capacity.proof.sweeps import Sweep
from dashboard.capacity.sectors.counting import counted_sweeps, disagreements


def repeats_disagree(
    evidence: Evidence, sweeps: tuple[Sweep, ...], *, required_nm: float
) -> Iterator[Finding]:
    """Sweeps that do not count and show less than the one of their side that does."""
    found = disagreements(
        counted_sweeps(sweeps),
        required_nm=required_nm,
        percent_step=evidence.test.method.percent_step,
    )
    for difference in found:
        other, sign = sweeps[difference.other - 1], difference.side.sign
        yield Finding(
            code="repeats_disagree",
            severity=Severity.CAUTION,
            t_ns=difference.t_ns,
            text=difference.text,
            effect=f"The sectors are those of sweep {difference.counting}, which shows the more; "
            f"by sweep {difference.other} they would be smaller.",
            what_to_do="Find out what differed, such as tyre pressure, ground or wind, and repeat "
            "the sweep until two agree; until then take the lesser.",
            place=Place(
                start_ns=other.start_ns,
                end_ns=other.end_ns + 1,
                from_deg=sign * difference.from_deg,
                to_deg=sign * difference.to_deg,
                side=difference.side,
            ),
        )
