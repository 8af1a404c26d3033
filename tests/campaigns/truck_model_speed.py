"""How fast the truck model stands a truck all the way round.

Not part of the suite::

    python -m tests.campaigns.truck_model_speed --rounds 15

A truck on ten supports (three axles, four outriggers), 10,000 slew angles, with loads from none
to almost tipping; plain, and with unsprung weight, droop and twist. The pass line is 0.1 s of
processor time at the median for the plain truck. The ratio to the brute force over all contact
sets on the same machine says what the method is worth there.
"""

from __future__ import annotations

import argparse
import itertools
import json
import statistics
import time

import numpy as np

from dashboard.capacity.truck.truck_model import reactions_n
from tests.made_trucks import truck, weight_and_centre

ANGLES = 10_000
RADIUS_M = 5.0
LIMIT_S = 0.1


def ten_supports(*, features):
    """An invented truck on three axles and four outriggers."""
    wheel = (120.0, 0.03) if features else (0.0, 0.0)
    wheels = [
        (x, y, k, 0.0, "wheel", *wheel)
        for x, k in ((0.0, 6.5e5), (1.3, 6.5e5), (4.2, 2.5e5))
        for y in (1.0, -1.0)
    ]
    pads = [
        (x, y, 4e6, 0.003, "outrigger", 0.0, 0.0)
        for x, y in ((-1.2, 1.8), (-1.2, -1.8), (2.5, 2.2), (2.5, -2.2))
    ]
    return truck(
        supports=[*wheels, *pads],
        masses=[(9000.0, 2.0, 0.05)],
        slewing=[(900.0, 1.5)],
        column=(0.3, -0.2),
        twist=6e5 if features else None,
    )


def processor_s(model, load_kg, rounds):
    """Median processor time for all angles, s."""
    slew = np.linspace(-180, 180, ANGLES)
    spent = []
    for _ in range(rounds):
        start = time.process_time()
        reactions_n(model, slew, load_kg, RADIUS_M)
        spent.append(time.process_time() - start)
    return statistics.median(spent)


def brute_force_s(model, load_kg, angles=4):
    """Processor time for one angle by trying every set of closed supports, s."""
    place = np.array([(1.0, *s.at_m) for s in model.supports])
    stiffness = np.array([s.stiffness_npm for s in model.supports])
    preload = np.array([s.preload_m for s in model.supports])
    start = time.process_time()
    for slew in np.linspace(-170, 170, angles):
        weight, centre = weight_and_centre(model, slew, load_kg, RADIUS_M)
        force = weight * np.array([1.0, *centre])
        for closed in itertools.product((False, True), repeat=len(place)):
            on = np.array(closed)
            if on.sum() >= 3:
                matrix = (place[on].T * stiffness[on]) @ place[on]
                pressed = place[on].T @ (stiffness[on] * preload[on])
                closure = place @ np.linalg.lstsq(matrix, force - pressed, rcond=None)[0] + preload
                if ((closure > 0) == on).all():
                    break
    return (time.process_time() - start) / angles


def main():
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--rounds", type=int, default=15)
    rounds = options.parse_args().rounds
    plain, whole = ten_supports(features=False), ten_supports(features=True)
    found = {
        name: {f"{load:g} kg": processor_s(model, load, rounds) for load in (0, 1500, 3000, 3800)}
        for name, model in (("plain_s", plain), ("with_unsprung_droop_twist_s", whole))
    }
    worst_s = max(found["plain_s"].values())
    one_s = brute_force_s(plain, 3000.0)
    passed = worst_s < LIMIT_S
    print(
        json.dumps(
            {
                "angles": ANGLES,
                "supports": len(plain.supports),
                **found,
                "worst_plain_s": worst_s,
                "brute_force_one_angle_s": one_s,
                "times_faster_than_brute_force": one_s * ANGLES / worst_s,
                "passed": passed,
            },
            indent=2,
        )
    )
    raise SystemExit(0 if passed else 1)


if __name__ == "__main__":
    main()
