"""Trucks with hidden departures and what an ideal test of them measures, for tests of the fit."""

from dashboard.capacity.fit.measured_lifts import MeasuredLift, MeasuredStay
from dashboard.capacity.truck.truck_model import first_lift
from dashboard.demo.scenario import SCENARIOS, read_scenario_test

SIGN = {"right": 1.0, "left": -1.0}
LOAD_KG = 1400.0
REQUIRED_NM = 53_100.0


def demo_truck(name="both-sides"):
    """The model of one of the demo's invented trucks."""
    return read_scenario_test(SCENARIOS[name])[1]


def with_outriggers(model, *, out_m=1.4, preload_m=0.001, stiffness_npm=1.5e6):
    """The truck with an outrigger on each side of its crane."""
    like = model.supports[0]
    added = tuple(
        like.model_copy(
            update={
                "name": f"outrigger_{side}",
                "kind": "outrigger",
                "at_m": (-0.9, sign * out_m),
                "stiffness_npm": stiffness_npm,
                "preload_m": preload_m,
            }
        )
        for side, sign in (("left", 1), ("right", -1))
    )
    return model.model_copy(update={"supports": (*model.supports, *added)})


def ideal_test(truth, *, radius_m=3.92, step_m=0.35, load_kg=LOAD_KG, u_deg=0.2, end_deg=170.0):
    """Lifts and stays of both sides, the load brought in after each lift."""
    lifts, stays = [], []
    for side, sign in SIGN.items():
        radius, began = radius_m, 0.0
        while True:
            lift = first_lift(truth, side, load_kg, radius)
            reached = end_deg if lift is None or abs(lift[1]) > end_deg else abs(lift[1])
            lifted = reached < end_deg
            stays.append(
                MeasuredStay(
                    side=side,
                    from_deg=sign * began,
                    to_deg=sign * (reached - 3 * u_deg * lifted),
                    load_kg=load_kg,
                    radius_m=radius,
                )
            )
            if not lifted:
                break
            lifts.append(
                MeasuredLift(
                    side=side,
                    wheel=lift[0],
                    slew_deg=lift[1],
                    u_deg=u_deg,
                    load_kg=load_kg,
                    radius_m=radius,
                    u_load_kg=1.0,
                    u_radius_m=0.002,
                )
            )
            began, radius = reached, radius - step_m
    return tuple(lifts), tuple(stays)
