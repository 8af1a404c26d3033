"""Sweeps made directly, as capacity sees them: holds with a share of the required moment."""

from __future__ import annotations

from dashboard.capacity.proof.first_lift import LiftAngle
from dashboard.capacity.proof.hold_load import HoldLoad
from dashboard.capacity.proof.hold_radius import HoldRadius
from dashboard.capacity.proof.holds import Covered, Hold
from dashboard.capacity.proof.sweeps import Sweep
from dashboard.capacity.uncertainty.budget import Input, combine
from dashboard.capacity.uncertainty.budgets import moment_budget
from logger.events.sweep import Side
from logger.readings.quantity import STANDARD_GRAVITY_MPS2

REQUIRED_NM = 53_100.0
LOAD_KG = 1400.0


def made_hold(*covered, share, start_ns, end_ns, u_load_kg=0.0):
    """A hold over stretches of (from, to) deg whose moment is a share of the required one.

    Its load has a standard uncertainty, which is taken off the moment before it is judged.
    """
    radius_m = share * REQUIRED_NM / (LOAD_KG * STANDARD_GRAVITY_MPS2)
    inputs = (Input(name="load cell", u=u_load_kg, unit="kg"),)
    return Hold(
        start_ns=start_ns,
        end_ns=end_ns,
        from_deg=min(low for low, _ in covered),
        to_deg=max(high for _, high in covered),
        covered=tuple(Covered(low, high, start_ns + i) for i, (low, high) in enumerate(covered)),
        moving=False,
        load=HoldLoad(load_kg=LOAD_KG, u_kg=u_load_kg, inputs=inputs),
        radius=HoldRadius(radius_m=radius_m, first_m=radius_m, last_m=radius_m, by="sensor"),
        moment_budget=moment_budget(
            load_kg=LOAD_KG, load_inputs=inputs, radius_m=radius_m, radius_inputs=()
        ),
    )


def made_lift(low_deg, high_deg, *, t_ns, stopped_deg, side=Side.RIGHT, wheel="rear_left"):
    """A lift between two angles counted from over the rear, seen at their middle."""
    low, high = sorted((side.sign * low_deg, side.sign * high_deg))
    middle = (low + high) / 2
    seen = Input(name="seen", u=(high - low) / 4, unit="deg")
    return LiftAngle(
        wheel=wheel,
        t_ns=t_ns,
        end_ns=t_ns + 50,
        slew_deg=middle,
        low_deg=low,
        high_deg=high,
        stopped_deg=side.sign * stopped_deg,
        estimate_deg=middle,
        budget=combine(name="lift", unit="deg", value=middle, parts=[(seen, 1.0)]),
        interval_deg=(low, high),
    )


def made_sweep(holds, lifts=(), *, side=Side.RIGHT, reached_deg=None):
    """A sweep of holds and lifts, in order of time."""
    if reached_deg is None:
        reached_deg = max((h.to_deg for h in holds), default=0.0)
    return Sweep(
        side=side,
        start_ns=min((h.start_ns for h in holds), default=0),
        end_ns=max((h.end_ns for h in holds), default=0),
        reached_deg=side.sign * reached_deg,
        lifts=tuple(lifts),
        holds=tuple(holds),
        radius_steps=(),
    )
