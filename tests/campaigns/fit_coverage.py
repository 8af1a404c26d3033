"""Whether the intervals of the truck model's fit hold the truth as often as they say.

Not part of the suite, which has a short form of it (``test_model_fit``)::

    python -m tests.campaigns.fit_coverage --trucks 600

Random trucks, each with a hidden centre of gravity and hidden stiffness (outriggers and their
preload too, on every third), are tested by the model that they obey: both sides, the load brought
in after each lift until none comes. Angles are measured with noise and an error of the slew zero,
load and radius with errors too; these three are common to the test. The fit knows the truck as a
test file would give it, the hidden departures' bounds, and nothing else. Counted: how often
value ± 2 u of each parameter that the fit calls determined holds the truth (95.45 % for a normal
distribution), and how often the 95 % interval of the first lift at another load and radius does.

The hidden departures are drawn from what the fit is told of them: half of the trucks evenly within
the bounds, half normally with a stated uncertainty.

Pass lines: 93 to 97 % of both.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from dashboard.capacity.fit.fit_parameters import FitLimits, changed, free_parameters
from dashboard.capacity.fit.fit_spread import possible_departures
from dashboard.capacity.fit.measured_lifts import MeasuredLift, MeasuredStay
from dashboard.capacity.fit.model_fit import fit_model
from dashboard.capacity.fit.predicted_lift import predict_lift
from dashboard.capacity.truck.truck_model import first_lift
from logger.readings.model_table import PointMass, SlewingMass, Support, TruckModel

SIDES = {"right": 1.0, "left": -1.0}
U_DEG, U_ZERO_DEG, U_LOAD_KG, U_RADIUS_M = 0.25, 0.1, 2.0, 0.003
LOW, HIGH = 93.0, 97.0
REACHED_DEG = 172.0


def random_truck(rng, *, outriggers):
    """A plausible truck with a crane behind its rear axle."""
    base, front, rear = rng.uniform(3.2, 4.2), rng.uniform(0.95, 1.1), rng.uniform(0.9, 1.05)
    soft, hard = rng.uniform(180e3, 350e3), rng.uniform(450e3, 900e3)
    places = [
        ("front_left", "wheel", (base, front), soft, 0.0),
        ("front_right", "wheel", (base, -front), soft, 0.0),
        ("rear_left", "wheel", (0.0, rear), hard, 0.0),
        ("rear_right", "wheel", (0.0, -rear), hard, 0.0),
    ]
    if outriggers:
        out, stiff = rng.uniform(1.2, 1.5), rng.uniform(1.5e6, 4e6)
        places += [
            ("outrigger_left", "outrigger", (-1.0, out), stiff, 0.003),
            ("outrigger_right", "outrigger", (-1.0, -out), stiff, 0.003),
        ]
    column = (rng.uniform(-0.8, -0.4), rng.uniform(-0.3, 0.3))
    return TruckModel.model_construct(
        column_m=column,
        masses=(
            PointMass.model_construct(
                name="truck",
                mass_kg=rng.uniform(5500, 7500),
                at_m=(base * rng.uniform(0.6, 0.72), rng.uniform(-0.1, 0.1)),
            ),
            PointMass.model_construct(name="column", mass_kg=480.0, at_m=column),
        ),
        slewing=(SlewingMass.model_construct(name="boom", mass_kg=620.0, radius_m=1.3),),
        supports=tuple(
            Support.model_construct(name=n, kind=k, at_m=at, stiffness_npm=s, preload_m=p)
            for n, k, at, s, p in places
        ),
    )


def test_load_kg(model, rng):
    """A load whose first lift comes somewhere on the way round at 4 m."""
    low, high = 100.0, 8000.0
    while high - low > 1.0:
        middle = (low + high) / 2
        lift = any(first_lift(model, side, middle, 4.0) for side in SIDES)
        low, high = (low, middle) if lift else (middle, high)
    return high * rng.uniform(1.03, 1.3)


test_load_kg.__test__ = False


def tested(truth, load_kg, rng):
    """What a test of the true truck at 4 m measures."""
    errors = rng.standard_normal(3) * (U_LOAD_KG, U_RADIUS_M, U_ZERO_DEG)
    load_error, radius_error, zero_error = errors
    common = {"load_kg": load_kg + load_error, "u_load_kg": U_LOAD_KG, "u_radius_m": U_RADIUS_M}
    lifts, stays = [], []
    for side, sign in SIDES.items():
        radius, began = 4.0, 0.0
        while radius > 1.0:
            lift = first_lift(truth, side, load_kg, radius)
            reached = REACHED_DEG if lift is None else min(abs(lift[1]), REACHED_DEG)
            end = reached if reached == REACHED_DEG else reached - 3 * U_DEG
            if end - began > 1.0:
                stays.append(
                    MeasuredStay(
                        side=side,
                        from_deg=sign * began,
                        to_deg=sign * end,
                        radius_m=radius + radius_error,
                        **common,
                    )
                )
            if reached == REACHED_DEG:
                break
            if reached - began > 1.0:
                lifts.append(
                    MeasuredLift(
                        side=side,
                        wheel=lift[0],
                        slew_deg=lift[1] + zero_error + U_DEG * rng.standard_normal(),
                        u_deg=math.hypot(U_DEG, U_ZERO_DEG),
                        u_zero_deg=U_ZERO_DEG,
                        radius_m=radius + radius_error,
                        **common,
                    )
                )
            began, radius = max(began, reached), radius - rng.uniform(0.15, 0.4)
    return lifts, stays


def one_truck(number):
    """Fits one hidden truck; what held the truth."""
    rng = np.random.default_rng([number, 77])
    given = random_truck(rng, outriggers=number % 3 == 2)
    stated = number % 2 == 1
    limits = (
        FitLimits(u_centre_m=0.04, u_stiffness=0.15, u_preload_m=0.0008) if stated else FitLimits()
    )
    free = free_parameters(given, limits)
    half = np.array([p.half_width for p in free])
    hidden = (
        np.clip(rng.standard_normal(len(free)) * [p.u_before for p in free], -half, half)
        if stated
        else rng.uniform(-half, half)
    )
    truth = changed(given, free, hidden)
    load_kg = test_load_kg(truth, rng)
    lifts, stays = tested(truth, load_kg, rng)
    if not lifts:
        return {"kind": "no lift"}
    fit = fit_model(given, lifts, stays, limits=limits)
    found = {
        "kind": "even" if not stated else "stated",
        "outriggers": number % 3 == 2,
        "lifts": len(lifts),
        "explains": fit.explains,
        "parameters": [
            (p.name, p.told, bool(abs(d - t) <= 2 * p.u), p.u / p.u_before)
            for p, d, t in zip(fit.parameters, fit.departure, hidden, strict=True)
        ],
        "predicted": [],
        "no lift foreseen": [],
    }
    possible = possible_departures(fit)
    for load_share, radius_m in ((0.9, 4.0), (1.15, 3.8)):
        for side, sign in SIDES.items():
            other = load_kg * load_share
            lift = first_lift(truth, side, other, radius_m)
            true_deg = 180.0 if lift is None else sign * lift[1]
            told = predict_lift(fit, side, load_kg=other, radius_m=radius_m, possible=possible)
            ends = (
                (180.0, 180.0)
                if told.low_deg is None
                else sorted((sign * told.low_deg, sign * told.high_deg))
            )
            holds = ends[0] - 1e-3 <= true_deg <= ends[1] + 1e-3
            if ends[0] == 180.0:
                # No truck in question lifts: no angle is told, only that none is.
                found["no lift foreseen"].append(true_deg == 180.0)
                continue
            found["predicted"].append((bool(holds), bool(true_deg < ends[0]), ends[1] - ends[0]))
    return found


def share(hits):
    """Percent of hits with their number."""
    hits = list(hits)
    return {"percent": round(100 * sum(hits) / max(len(hits), 1), 2), "of": len(hits)}


def tested_trucks(numbers, *, workers, minutes):
    """What held the truth for each truck, in order, as far as the time reaches."""
    end, found = time.monotonic() + 60 * minutes, []
    with ProcessPoolExecutor(workers) as pool:
        for one in pool.map(one_truck, numbers):
            found.append(one)
            if time.monotonic() > end:
                pool.shutdown(wait=False, cancel_futures=True)
                break
    return found


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trucks", type=int, default=600)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, help="number of the first truck")
    parser.add_argument(
        "--minutes", type=float, default=math.inf, help="stop early, with what is done by then"
    )
    arguments = parser.parse_args()
    found = tested_trucks(
        range(arguments.first, arguments.first + arguments.trucks),
        workers=arguments.workers,
        minutes=arguments.minutes,
    )
    fits = [f for f in found if f["kind"] != "no lift"]
    parameters = [p for f in fits for p in f["parameters"]]
    determined = [p for p in parameters if p[1] == "determined"]
    predicted = [p for f in fits for p in f["predicted"]]
    figures = {
        "trucks": len(found),
        "fits": len(fits),
        "lifts": dict(sorted(Counter(f["lifts"] for f in fits).items())),
        "explained": share(f["explains"] for f in fits),
        "told": dict(Counter(f"{p[0]}: {p[1]}" for p in parameters)),
        "determined_2u": share(p[2] for p in determined),
        "all_2u": share(p[2] for p in parameters),
        "by_parameter": {
            name: share(p[2] for p in determined if p[0] == name)
            for name in sorted({p[0] for p in determined})
        },
        "predicted_95": share(p[0] for p in predicted),
        "predicted_earlier_than_interval": share(p[1] for p in predicted),
        "predicted_95_even": share(
            p[0] for f in fits if f["kind"] == "even" for p in f["predicted"]
        ),
        "predicted_95_outriggers": share(
            p[0] for f in fits if f["outriggers"] for p in f["predicted"]
        ),
        "no_lift_foreseen_and_none_came": share(x for f in fits for x in f["no lift foreseen"]),
        "median_width_deg": round(float(np.median([p[2] for p in predicted])), 2),
    }
    print(json.dumps(figures, indent=1))
    good = all(LOW <= figures[key]["percent"] <= HIGH for key in ("determined_2u", "predicted_95"))
    return 0 if good and math.isfinite(figures["median_width_deg"]) else 1


if __name__ == "__main__":
    sys.exit(main())
