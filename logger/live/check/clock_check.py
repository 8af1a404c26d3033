"""A device's clock judged: can its readings be dated by it, and how well."""

from __future__ import annotations

from collections.abc import Iterator

from logger.live.check.findings import Finding, Severity, of_source
from logger.live.check.listening import SourceTally
from logger.live.check.source_hints import HINTS
from logger.readings.clock_alignment import ClockFit
from logger.readings.polled_clock import fit_of_clock
from logger.readings.rig_file import Source
from logger.readings.source_keys import SOURCE_KINDS, WIRE_FORMATS

MOST_CLOCK_U_S = 0.02
"""A date worse than this shifts an angle by 0.04° at 2°/s (common practice, no source)."""
MOST_UTC_OFF_S = 0.5
"""Clocks set over a network agree far better (common practice, no source)."""
MOST_DRIFT_PPM = 200.0
"""Crystals keep 100 ppm (from memory); a clock at twice that is no crystal's."""


def clock_of(tally: SourceTally) -> ClockFit | None:
    """The fit of the clock that told its uptime most often, or None where none did."""
    most = max(tally.pairs, key=lambda clock: len(tally.pairs[clock]), default=None)
    return None if most is None else fit_of_clock(most, list(tally.pairs[most]))


def is_off(tally: SourceTally) -> bool:
    """Whether a device's absolute times can't be of the same clock as this computer's."""
    return tally.utc_off_s is not None and abs(tally.utc_off_s) > MOST_UTC_OFF_S


def drift_ppm(clock: ClockFit) -> float | None:
    """How much faster the device's clock is, ppm; None where the rate had to be held at 1."""
    return None if clock.rate == 1.0 else round((1.0 / clock.rate - 1.0) * 1e6, 1)


def _unsure_ppm(tally: SourceTally, clock: ClockFit) -> float:
    """What scattering delays alone can make of the drift over so short a time, ppm."""
    longest = max(tally.pairs.values(), key=len)
    span_s = abs(longest[-1].device_ns - longest[0].device_ns) * 1e-9
    return 2e6 * clock.residual_s / span_s if span_s > 0 else float("inf")


def clock_findings(source: Source, tally: SourceTally, clock: ClockFit | None) -> Iterator[Finding]:
    """What is to be said about a source's clock.

    Args:
        source: its table in the rig file.
        tally: what came from it.
        clock: the fit of its clock, or None.
    """
    off_s = tally.utc_off_s or 0.0
    tells_uptime = WIRE_FORMATS[source.decode].tells_uptime and SOURCE_KINDS[source.kind].decodes
    if source.true_clock and is_off(tally):
        yield of_source(
            source.id,
            "clock_off",
            Severity.NOT_READY,
            f"its clock is {abs(off_s):.1f} s {'behind' if off_s > 0 else 'ahead of'} "
            "this computer's, and the rig file believes it",
            "set both clocks, or leave 'true_clock' out",
        )
    if clock is None:
        if not source.true_clock:
            yield of_source(
                source.id,
                "no_uptime",
                Severity.CAUTION if tells_uptime else Severity.NOTE,
                "does not tell its uptime, so its readings are dated when they arrive",
                "send 'up' with each pack" if tells_uptime else "",
            )
        return
    if source.time_exchange and not tally.answers:
        yield of_source(
            source.id,
            "time_not_answered",
            Severity.CAUTION,
            "does not answer the question for its uptime, though 'time_exchange' says so",
            "see the line to the device and its firmware, or leave 'time_exchange' out",
        )
    if tally.tells_up < tally.packs and tells_uptime:
        yield of_source(
            source.id,
            "uptime_missing",
            Severity.CAUTION,
            f"only {tally.tells_up} of {tally.packs} packs tell the device's uptime",
            "send 'up' with each pack",
        )
    fast_ppm = drift_ppm(clock)
    if fast_ppm is not None and abs(fast_ppm) > MOST_DRIFT_PPM + _unsure_ppm(tally, clock):
        yield of_source(
            source.id,
            "clock_drifts",
            Severity.CAUTION,
            f"its clock is off by {fast_ppm:+.0f} ppm against this computer's",
            "see how the device counts 'up'; a crystal keeps within 100 ppm",
        )
    if clock.u_s > MOST_CLOCK_U_S:
        yield of_source(
            source.id,
            "clock_poor",
            Severity.CAUTION,
            f"its readings are dated no better than {1000 * clock.u_s:.0f} ms "
            f"(delays scatter by {1000 * clock.residual_s:.0f} ms)",
            HINTS[source.kind].poor_clock,
        )
