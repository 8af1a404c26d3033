"""What a run shows, before anyone judges it.

The evidence is what the detectors found in each channel, and the quiet series (medians over
slices) from which loads, radii and angles are read. Judging it is the business of the modules
beside this one, which therefore need no file and no clock.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from logger.events.radius_change import RadiusChange
from logger.events.sweep import Excursion
from logger.events.touch import Touch
from logger.events.wheel_lift import WheelLift
from logger.readings.bins import Bins
from logger.readings.block import Nanoseconds, Values
from logger.readings.boom_geometry import FittedDeflection
from logger.readings.spans import Spans
from logger.readings.test_file import TestFile

NEIGHBOURHOOD_NS = 500_000_000
"""Short against starting and stopping a boom, ns."""
LEAST_READINGS = 5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SlewRecord:
    """The slew angle through the run.

    Attributes:
        t_ns: times of the readings, shape (n,), ns.
        slew_deg: continuous angle, shape (n,), deg.
        bins: medians over slices.
        step_deg: resolution of the encoder, deg.
        u_deg: standard uncertainty of the zero and scale, deg; 0 where not declared.
        falls_with_counts: whether the angle falls where the encoder's raw value rises.
        turn_deg: by how much the boom turns until the encoder's readings come again, deg.
    """

    t_ns: Nanoseconds
    slew_deg: Values
    bins: Bins
    step_deg: float
    u_deg: float
    falls_with_counts: bool = False
    turn_deg: float = 360.0

    def at(self, t_ns: int) -> float:
        """The angle at a time, between its neighbours by straight line, deg.

        Raises:
            ValueError: where there is no reading at all.
        """
        if self.t_ns.size == 0:
            raise ValueError("no slew readings")
        after = int(np.searchsorted(self.t_ns, t_ns, side="left"))
        if after in (0, self.t_ns.size):
            return float(self.slew_deg[min(after, self.t_ns.size - 1)])
        t0, t1 = int(self.t_ns[after - 1]), int(self.t_ns[after])
        share = (t_ns - t0) / (t1 - t0) if t1 > t0 else 1.0
        before_deg, after_deg = float(self.slew_deg[after - 1]), float(self.slew_deg[after])
        return before_deg + share * (after_deg - before_deg)

    def range_deg(self, start_ns: int, end_ns: int) -> tuple[float, float]:
        """Least and greatest angle in a stretch of time, deg."""
        inside = self.bins.median[
            np.searchsorted(self.bins.first_ns, start_ns) : np.searchsorted(
                self.bins.last_ns, end_ns, side="right"
            )
        ]
        ends = (self.smoothed_at(start_ns), self.smoothed_at(end_ns))
        if inside.size == 0:
            return min(ends), max(ends)
        return min(*ends, float(inside.min())), max(*ends, float(inside.max()))

    def rate_dps(self, t_ns: int) -> float:
        """How fast the boom turns around a time, deg/s, as a size."""
        half_ns = 500_000_000
        return abs(self.at(t_ns + half_ns) - self.at(t_ns - half_ns)) / (2 * half_ns * 1e-9)

    def noise_deg(self, t_ns: int) -> float:
        """Scatter of single readings around a time, beyond the rounding to steps, deg.

        Second differences see noise and not the motion: their variance is 6 times the noise's.
        """
        angle_deg = self.slew_deg[self._near(t_ns)]
        if angle_deg.size < LEAST_READINGS:
            return 0.0
        scatter_deg = float(np.diff(angle_deg, n=2).std()) / math.sqrt(6)
        return math.sqrt(max(0.0, scatter_deg**2 - self.step_deg**2 / 12))

    def smoothed_at(self, t_ns: int) -> float:
        """The angle at a time, deg.

        Where readings are noisy by a straight line through the neighbourhood, else by one
        between the two readings beside it.
        """
        near = self._near(t_ns)
        t_s = (self.t_ns[near] - t_ns) * 1e-9
        if t_s.size < LEAST_READINGS or self.noise_deg(t_ns) <= self.step_deg / 2:
            return self.at(t_ns)
        return float(np.polynomial.Polynomial.fit(t_s, self.slew_deg[near], 1)(0.0))

    def u_at(self, t_ns: int) -> float:
        """Standard uncertainty of a smoothed angle: zero and scale, and noise, deg.

        The line's middle has the noise over √n; three of it, since rounding to steps makes the
        readings of a neighbourhood agree better than they should.
        """
        readings = max(1, self.t_ns[self._near(t_ns)].size)
        return math.hypot(self.u_deg, 3 * self.noise_deg(t_ns) / math.sqrt(readings))

    def _near(self, t_ns: int) -> slice:
        first = np.searchsorted(self.t_ns, t_ns - NEIGHBOURHOOD_NS)
        last = np.searchsorted(self.t_ns, t_ns + NEIGHBOURHOOD_NS)
        return slice(int(first), int(last))


@dataclass(frozen=True, slots=True, kw_only=True)
class TapeReading:
    """A radius read by tape while the test went on.

    Attributes:
        t_ns: when it was noted, ns.
        radius_m: the reading, m.
    """

    t_ns: int
    radius_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LostReadings:
    """Readings that the recorder knows to be missing.

    Attributes:
        t_ns: when it was noticed, ns.
        source: id of the source, or of the channel.
        kind: why, in the recorder's words, such as ``missing_packs``.
        missing: how many packs or frames, where that is known.
        duration_ns: how long, where that is known, ns.
    """

    t_ns: int
    source: str
    kind: str
    missing: int | None = None
    duration_ns: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evidence:
    """What a run shows.

    Attributes:
        test: what was tested.
        run_ns: first and last time of any reading, ns.
        slew: the slew angle, or None where the rig has no encoder or it never spoke.
        excursions: the boom's ways out to one side and back, in order.
        load: applied load (cell and what hangs above it), medians over slices, kg; or None.
        u_load_kg: declared standard uncertainty of the cell, kg, or None.
        hanging: when the load hung.
        radius: radius, medians over slices, m; or None where neither a sensor nor the boom's
            geometry tells it.
        u_radius_m: standard uncertainty of it, m: the sensor's as declared (None where it is
            not), or the geometry's as computed.
        radius_changes: as the detector found them, in order.
        tape: radii read by tape, in order.
        lifts: confirmed lifts of the truck's wheels, in order of time.
        stale: by channel id, when it was stale.
        only_changes: wheels whose contact reports only its changes, so that silence says nothing.
        u_clock_s: standard uncertainty of the time between slew and contact readings, s.
        u_time_s: by channel id, standard uncertainty of its readings' times on the run's clock,
            s; only channels of which something is known.
        clock_rate: run seconds in a second of wall time; 1 but in a simulation.
        touches: short unloadings of the hook, in order of time.
        pitch: pitch of the frame, medians over slices, deg, nose down positive (ISO 8855); or
            None where not wired.
        roll: the same, deg, right side down positive.
        wind: wind speed, medians over slices, m/s; or None.
        hook_height: height of the hook above the ground, medians over slices, m; or None.
        boom_angle: medians over slices, deg; or None.
        boom_length: medians over slices, m; or None.
        others: by channel id, medians over slices, SI (deg for angles), of sensors that have no
            name here.
        load_quick: applied load, medians over sixteenths of a second, kg, in which a swing shows;
            or None.
        radius_by: what ``radius`` comes from: ``sensor`` or ``geometry``.
        deflection: how much farther out the load hangs since the boom bends, as the
            tape readings show it; None where it isn't fitted.
        u_declared: by channel id, standard uncertainty as the rig file declares it, SI (deg for
            angles); only channels that declare one.
        step: by channel id, least difference between two readings, SI; only where it was seen.
        contacts: by position, when each wired contact that is none of the truck's wheels was
            open, an outrigger's for one.
        lost: readings that the recorder knows to be missing, in order of time.
        travel_m: by position, how far a wheel may have risen before its contact opens, m; only
            wheels for which the rig file gives it.
        calibrated: by channel id, from where to where it was calibrated, SI; only channels whose
            rig file tells it.
    """

    test: TestFile
    run_ns: tuple[int, int]
    slew: SlewRecord | None
    excursions: tuple[Excursion, ...]
    load: Bins | None
    u_load_kg: float | None
    hanging: Spans
    radius: Bins | None
    u_radius_m: float | None
    radius_changes: tuple[RadiusChange, ...]
    tape: tuple[TapeReading, ...]
    lifts: tuple[WheelLift, ...]
    stale: Mapping[str, Spans]
    only_changes: tuple[str, ...]
    u_clock_s: float
    u_time_s: Mapping[str, float] = field(default_factory=dict)
    clock_rate: float = 1.0
    touches: tuple[Touch, ...] = ()
    pitch: Bins | None = None
    roll: Bins | None = None
    wind: Bins | None = None
    hook_height: Bins | None = None
    boom_angle: Bins | None = None
    boom_length: Bins | None = None
    others: Mapping[str, Bins] = field(default_factory=dict)
    load_quick: Bins | None = None
    radius_by: str = "sensor"
    deflection: FittedDeflection | None = None
    u_declared: Mapping[str, float] = field(default_factory=dict)
    step: Mapping[str, float] = field(default_factory=dict)
    contacts: Mapping[str, Spans] = field(default_factory=dict)
    lost: tuple[LostReadings, ...] = ()
    travel_m: Mapping[str, float] = field(default_factory=dict)
    calibrated: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    def open_spans(self) -> Spans:
        """When at least one wheel was open."""
        last_ns = self.run_ns[1] + 1
        return Spans.of((x.t_ns, last_ns if x.end_ns is None else x.end_ns) for x in self.lifts)

    def stale_spans(self) -> Spans:
        """When a channel that the proof needs was stale."""
        whole = Spans()
        for spans in self.stale.values():
            whole |= spans
        return whole
