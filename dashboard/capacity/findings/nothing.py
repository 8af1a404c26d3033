"""The finding that comes before all: the run proves nothing, and why."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from dashboard.capacity.findings.finding import NOTHING_PROVED, Finding, Severity
from dashboard.capacity.proof.evidence import Evidence
from dashboard.capacity.proof.sweeps import Sweep
from dashboard.capacity.sectors.sectors import Sector, covered_stretches
from logger.events.load_phase import HANGING_SHARE


def nothing_proved(
    evidence: Evidence, sweeps: tuple[Sweep, ...], sectors: Sequence[Sector] | None
) -> Iterator[Finding]:
    """Says that no sector allows any lifting.

    Args:
        evidence: what the run shows.
        sweeps: its sweeps.
        sectors: of both sides; where they are not known, what the sweeps covered is judged.
    """
    if sectors is None:
        proved = any(_proves(sweep) for sweep in sweeps)
    else:
        proved = any(sector.percent > 0 for sector in sectors)
    if proved:
        return
    reason = _why(evidence, sweeps)
    yield Finding(
        code=NOTHING_PROVED,
        severity=Severity.INVALID,
        t_ns=None,
        text=f"This run proves nothing: {reason.why}.",
        effect="No sector allows any lifting on the strength of this run.",
        what_to_do=reason.what_to_do,
    )


def _proves(sweep: Sweep) -> bool:
    return any(covered_stretches(sweep)) and any(h.covered and h.proved_nm > 0 for h in sweep.holds)


class _Reason(NamedTuple):
    why: str
    what_to_do: str


_NO_LOAD = _Reason(
    why="nothing tells the load",
    what_to_do="Wire a load cell as channel 'load' and see with 'slewtrace check' that it speaks.",
)
_NO_SLEW = _Reason(
    why="nothing tells the slew angle",
    what_to_do="Wire an encoder as channel 'slew' and see with 'slewtrace check' that it speaks.",
)
_NO_SWEEP = _Reason(
    why="the boom did not slew out with the load hanging",
    what_to_do="Slew with the load hanging from over the rear towards the cab on each side.",
)
_NO_RADIUS = _Reason(
    why="nothing tells the radius",
    what_to_do="Wire a radius sensor, or note the taped radius before the load is lifted.",
)
_NO_MOMENT = _Reason(
    why="the moment that hung is less than its own uncertainty or than the least percentage "
    "that is stated",
    what_to_do="Test with more load or a greater radius, and with better known ones.",
)
_NEVER_CLEAR = _Reason(
    why="the boom slewed nowhere with the load hanging, every wheel down and every switch speaking",
    what_to_do="Look at the other findings, mend what they name and test again.",
)
_ALWAYS_OPEN = _Reason(
    why="a wheel was off the ground whenever the load hung",
    what_to_do="Begin with every wheel on the ground, at a smaller radius where one lifts at once.",
)


def _why(evidence: Evidence, sweeps: tuple[Sweep, ...]) -> _Reason:
    """The first thing missing in the chain from sensors to moment, and what would mend it."""
    if evidence.load is None or not len(evidence.load):
        return _NO_LOAD
    if evidence.slew is None or not len(evidence.slew.bins):
        return _NO_SLEW
    if not evidence.hanging.pairs:
        return _never_hung(evidence, most_kg=float(evidence.load.median.max()))
    return _why_not_proved(evidence, sweeps) if sweeps else _NO_SWEEP


def _why_not_proved(evidence: Evidence, sweeps: tuple[Sweep, ...]) -> _Reason:
    if not any(any(covered_stretches(sweep)) for sweep in sweeps):
        return _never_clear(evidence)
    if all(h.radius_m is None for sweep in sweeps for h in sweep.holds):
        return _NO_RADIUS
    return _NO_MOMENT


def _never_hung(evidence: Evidence, *, most_kg: float) -> _Reason:
    load_kg = evidence.test.load.mass_kg
    return _Reason(
        why=f"the load never hung (the hook bore {most_kg:.0f} kg at the most; hanging begins at "
        f"{HANGING_SHARE * load_kg:.0f} kg, {100 * HANGING_SHARE:g} % of the test load)",
        what_to_do="Lift the whole test load, or correct the load's parts, 'above_cell' and the "
        "cell's calibration.",
    )


def _never_clear(evidence: Evidence) -> _Reason:
    silent = [c for c, spans in evidence.stale.items() if not (evidence.hanging - spans).pairs]
    if silent:
        return _Reason(
            why=f"{', '.join(silent)} said nothing whenever the load hung",
            what_to_do="Check supply, cable and radio link of what was silent, and test again.",
        )
    return _NEVER_CLEAR if (evidence.hanging - evidence.open_spans()).pairs else _ALWAYS_OPEN
