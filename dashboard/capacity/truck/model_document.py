"""The truck model's answer all the way round, as plain values (``slewtrace.model/1``)."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dashboard.capacity.truck.tipping import TippingLoads, tipping_loads
from dashboard.capacity.truck.truck_stand import Numbers, masses, stand_with
from dashboard.capacity.truck.wheel_reaching_zero import first_lift
from logger.errors import FileInvalid
from logger.readings.test_file import TestFile

FORMAT = "slewtrace.model/1"


def model_result(
    test: TestFile, *, radius_m: float, load_kg: float, step_deg: float = 1.0
) -> dict[str, Any]:
    """The model's answer all the way round, in the format ``slewtrace.model/1``.

    Args:
        test: the test file; its ``[model]`` is used.
        radius_m: the load's distance from the slew axis, m.
        load_kg: the load, kg.
        step_deg: step of the slew angle, deg; angles are its multiples from −180 to 180.

    Returns:
        A dictionary of plain values. Reactions are None at angles where the truck overturns.

    Raises:
        FileInvalid: where the test file has no model.
        ValueError: where the step is not between 0.01 and 180 deg, or a size is not above zero.
    """
    if test.model is None:
        raise FileInvalid(
            where="test file, [model]",
            what="is missing, so there is no truck to compute with",
            would_do="add a [model] table: column, masses, slewing, supports",
        )
    if not 0.01 <= step_deg <= 180:
        raise ValueError(f"a step of {step_deg:g} deg won't do; between 0.01 and 180 deg")
    if not (radius_m >= 0 and load_kg >= 0 and math.isfinite(radius_m + load_kg)):
        raise ValueError(f"a load of {load_kg:g} kg at {radius_m:g} m won't do")
    model = test.model
    count = math.floor(180 / step_deg + 1e-9)
    slew = np.asarray(step_deg * np.arange(-count, count + 1), dtype=np.float64)
    standing = stand_with(model, slew, load_kg, radius_m)
    tipping = tipping_loads(model, slew, radius_m)
    return {
        "format": FORMAT,
        "radius_m": radius_m,
        "load_kg": load_kg,
        "truck_kg": float(masses(model, slew[:1])[0][0]),
        "supports": [s.name for s in model.supports],
        "kinds": [s.kind for s in model.supports],
        "slew_deg": slew.tolist(),
        "reactions_n": [_row(row) for row in standing.reactions_n],
        "twist_deg": None if model.twist_nmprad is None else _row(standing.twist_deg),
        "first_lift": {
            "right": _lift_entry(first_lift(model, "right", load_kg, radius_m)),
            "left": _lift_entry(first_lift(model, "left", load_kg, radius_m)),
        },
        "overturns": _overturning(slew, np.isnan(standing.reactions_n[:, 0])),
        "tipping_load_kg": _row(tipping.least_kg),
        "tipping_edges": _edge_entries(tipping),
        "least_tipping": _least_tipping(tipping, slew, load_kg),
    }


def _row(values: Numbers) -> list[float | None]:
    """Numbers as JSON knows them: what is none is None."""
    return [v if math.isfinite(v) else None for v in values.tolist()]


def _lift_entry(lift: tuple[str, float] | None) -> dict[str, object] | None:
    return None if lift is None else {"wheel": lift[0], "slew_deg": lift[1] + 0.0}


def _edge_entries(tipping: TippingLoads) -> list[dict[str, Any]]:
    return [
        {"supports": list(supports), "load_kg": _row(load_kg)}
        for supports, load_kg in zip(tipping.supports, tipping.load_kg.T, strict=True)
    ]


def _overturning(slew_deg: Numbers, overturns: NDArray[np.bool_]) -> list[list[float]]:
    """Stretches of angles at which nothing balances, first and last of each, deg."""
    padded = np.concatenate(([False], overturns, [False])).astype(np.int8)
    change = np.diff(padded)
    starts, ends = np.flatnonzero(change > 0), np.flatnonzero(change < 0) - 1
    return [[float(slew_deg[a]), float(slew_deg[b])] for a, b in zip(starts, ends, strict=True)]


def _least_tipping(
    tipping: TippingLoads, slew_deg: Numbers, load_kg: float
) -> dict[str, Any] | None:
    """Where the truck, taken as rigid, tips most easily, on the angles asked for."""
    at, edge = np.unravel_index(int(tipping.load_kg.argmin()), tipping.load_kg.shape)
    least_kg = float(tipping.load_kg[at, edge])
    if math.isinf(least_kg):
        return None
    times = least_kg / load_kg if load_kg else math.inf
    return {
        "load_kg": least_kg,
        "times_test_load": times if math.isfinite(times) else None,
        "slew_deg": float(slew_deg[at]),
        "supports": list(tipping.supports[int(edge)]),
    }
