"""Findings about the conditions of a test: slew rate, level, wind."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from dashboard.capacity.findings.finding import Finding, Place, Severity, place_in
from dashboard.capacity.findings.load import hung_in
from dashboard.capacity.proof.evidence import Evidence, SlewRecord
from dashboard.capacity.proof.sweeps import Sweep
from logger.readings.bins import Bins
from logger.readings.block import Nanoseconds, Values
from logger.readings.spans import Spans

GRADE = 0.01
"""A test surface is level within 1 % grade (29 CFR 1910.180's test conditions, as read in WAC
296-24-24005, the same text)."""
NEAR_REAR_DEG = 10.0
"""Away from the rear the boom alone makes the truck lean."""
CALMED_NS = 2_000_000_000
WIND_MPS = 9.0
"""Where the test file watches no wind: common practice, no source."""
GUST_NS = 3_000_000_000
"""A gust is a mean over three seconds (as meteorology does; from memory)."""
PRESSURE_PER_WIND2 = 0.625
"""Wind pressure in Pa is so much times the square of the speed in m/s, air at 1.25 kg/m³."""
RATE_OVER_NS = 1_000_000_000
RATE_NOISE = 1.05
"""An encoder's noise may feign a rate one twentieth above the true one; a choice."""


def condition_findings(evidence: Evidence, slew: SlewRecord, sweep: Sweep) -> Iterator[Finding]:
    """What the conditions of a sweep give reason to say."""
    yield from _slewed_too_fast(evidence, slew, sweep)
    yield from _wind(evidence, slew, sweep)


def _slewed_too_fast(evidence: Evidence, slew: SlewRecord, sweep: Sweep) -> Iterator[Finding]:
    limit_dps = evidence.test.method.slew_rate_limit_dps
    fast: list[tuple[int, int]] = []
    fastest_dps = 0.0
    for start_ns, end_ns in hung_in(evidence, sweep):
        t_ns, rate_dps = _rates(slew.bins, start_ns, end_ns)
        over = rate_dps > RATE_NOISE * limit_dps
        if over.any():
            fast += [(t, t + RATE_OVER_NS) for t in t_ns[over].tolist()]
            fastest_dps = max(fastest_dps, float(rate_dps.max()))
    if not fast:
        return
    place = place_in(sweep, slew, (fast[0][0], fast[-1][1]))
    clocks_deg = 2 * fastest_dps * evidence.u_clock_s
    yield Finding(
        code="slewed_too_fast",
        severity=Severity.CAUTION,
        t_ns=fast[0][0],
        text=f"The boom slewed at up to {fastest_dps:.1f} deg/s with the load hanging, "
        f"{place.words}; the limit is {limit_dps:g} deg/s.",
        effect=f"Each tenth of a second that a tyre or its switch takes shows a lift "
        f"{fastest_dps / 10:.2f}° late there, and the clocks leave ± {clocks_deg:.2f}°.",
        what_to_do=f"Slew slower than {limit_dps:g} deg/s where a wheel may lift.",
        place=place,
    )


def _rates(bins: Bins, start_ns: int, end_ns: int) -> tuple[Nanoseconds, Values]:
    """Mean slew rates over a second each, deg/s, and when each begins."""
    first = int(np.searchsorted(bins.first_ns, start_ns))
    last = int(np.searchsorted(bins.last_ns, end_ns))
    t_ns, angle_deg = bins.first_ns[first:last], bins.median[first:last]
    after = np.searchsorted(t_ns, t_ns + RATE_OVER_NS)
    whole = after < t_ns.size
    here, there = np.flatnonzero(whole), after[whole]
    seconds = (t_ns[there] - t_ns[here]) * 1e-9
    return t_ns[here], np.abs(angle_deg[there] - angle_deg[here]) / seconds


def _wind(evidence: Evidence, slew: SlewRecord, sweep: Sweep) -> Iterator[Finding]:
    watched = evidence.test.watch.wind
    limit_mps = WIND_MPS if watched is None else watched.over_si
    blown: list[tuple[int, int]] = []
    strongest_mps = 0.0
    for start_ns, end_ns in hung_in(evidence, sweep):
        t_ns, gust_mps = _gusts(evidence.wind, start_ns, end_ns)
        over = gust_mps > limit_mps
        if over.any():
            blown += [(t - GUST_NS, t + 1) for t in t_ns[over].tolist()]
            strongest_mps = max(strongest_mps, float(gust_mps.max()))
    if not blown:
        return
    place = place_in(sweep, slew, (max(sweep.start_ns, blown[0][0]), blown[-1][1]))
    yield Finding(
        code="wind",
        severity=Severity.CAUTION,
        t_ns=place.start_ns,
        text=f"The wind reached {strongest_mps:.1f} m/s over three seconds, {place.words}; the "
        f"limit is {limit_mps:g} m/s{'' if watched else ' (common practice, no source)'}.",
        effect=f"It pressed with {PRESSURE_PER_WIND2 * strongest_mps**2:.0f} Pa on load, boom "
        "and truck, for or against the lift, which no figure of the result accounts for.",
        what_to_do="Repeat the sweep in less wind.",
        place=place,
    )


def _gusts(bins: Bins | None, start_ns: int, end_ns: int) -> tuple[Nanoseconds, Values]:
    """Means over the three seconds before each slice, m/s, and when each ends."""
    if bins is None:
        return np.empty(0, np.int64), np.empty(0)
    first = np.searchsorted(bins.first_ns, start_ns)
    last = np.searchsorted(bins.last_ns, end_ns)
    t_ns, speed_mps = bins.last_ns[first:last], bins.median[first:last]
    sums = np.concatenate(([0.0], np.cumsum(speed_mps)))
    since = np.searchsorted(t_ns, t_ns - GUST_NS, side="right")
    upto = np.arange(1, t_ns.size + 1)
    whole = t_ns - start_ns >= GUST_NS
    return t_ns[whole], ((sums[upto] - sums[since]) / (upto - since))[whole]


def not_level(evidence: Evidence) -> Iterator[Finding]:
    """The truck stood askew, or leaned far under the load."""
    if evidence.pitch is None and evidence.roll is None:
        return
    start_ns, end_ns = evidence.run_ns
    off = Spans.of([(start_ns, end_ns + 1)]) - evidence.hanging
    calm = [(a + CALMED_NS, b - CALMED_NS) for a, b in off if b - a > 3 * CALMED_NS]
    stood = _graded(evidence, calm, near_rear=True) or _graded(evidence, calm, near_rear=False)
    hung = _graded(evidence, list(evidence.hanging), near_rear=False)
    if stood and (worst := max(stood))[0] > GRADE:
        yield _askew(worst[0], worst[1], "with the load off the hook")
    elif not stood and hung and (worst := max(hung))[0] > GRADE:
        yield _askew(worst[0], worst[1], "with the load hanging")
    elif stood and hung and (worst := max(hung))[0] - min(stood)[0] > GRADE:
        yield _leaned(worst[0] - min(stood)[0], worst[1])


def _askew(grade: float, span: tuple[int, int], when: str) -> Finding:
    return Finding(
        code="not_level",
        severity=Severity.CAUTION,
        t_ns=span[0],
        text=f"The truck stood {100 * grade:.1f} % out of level {when}; the limit is "
        f"{100 * GRADE:g} %.",
        effect="The load hung farther out or in than on level ground and the slope held or "
        "pushed the truck: both sides' lift angles are shifted.",
        what_to_do="Level the truck to within 1 % and test again.",
        place=Place(start_ns=span[0], end_ns=span[1]),
    )


def _leaned(grade: float, span: tuple[int, int]) -> Finding:
    return Finding(
        code="leaned_under_load",
        severity=Severity.NOTE,
        t_ns=span[0],
        text=f"The truck leaned by {100 * grade:.1f} % under the load.",
        effect="The load hung that much farther out by its height above the ground than a "
        "radius that is worked out from the boom's own angle tells.",
        what_to_do="Tape the radius with the load hanging.",
        place=Place(start_ns=span[0], end_ns=span[1]),
    )


def _graded(
    evidence: Evidence, spans: list[tuple[int, int]], *, near_rear: bool
) -> list[tuple[float, tuple[int, int]]]:
    """Slopes of stretches in which the level was read."""
    graded = ((_grade(evidence, span, near_rear=near_rear), span) for span in spans)
    return [(grade, span) for grade, span in graded if grade is not None]


def _grade(evidence: Evidence, span: tuple[int, int], *, near_rear: bool) -> float | None:
    """Slope of a stretch from the medians of pitch and roll; None where nothing was read."""
    slopes = []
    for bins in (evidence.pitch, evidence.roll):
        if bins is None:
            continue
        inside = (bins.first_ns >= span[0]) & (bins.last_ns < span[1])
        if near_rear and evidence.slew is not None and len(evidence.slew.bins):
            turned = evidence.slew.bins
            angle_deg = np.interp(bins.first_ns, turned.first_ns, turned.median)
            inside &= np.abs(angle_deg) < NEAR_REAR_DEG
        if inside.any():
            slopes.append(math.tan(math.radians(float(np.median(bins.median[inside])))))
    return math.hypot(*slopes) if slopes else None
