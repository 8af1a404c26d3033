"""Draws each kind of figure once, since the first costs a second of imports and checks."""

from __future__ import annotations

import numpy as np

from dashboard.figures.overview import overview_of
from dashboard.figures.palette import LIGHT
from dashboard.figures.plan_view import PlanState, plan_figure
from dashboard.figures.readings import Readings, Trace, Wheel
from dashboard.figures.sectors import sectors_figure
from dashboard.figures.traces import traces_figure
from dashboard.figures.truck_outline import TruckOutline
from logger.readings.spans import Spans


def warm_up() -> None:
    """Draws a run of two readings and an empty result, and throws them away."""
    trace = Trace(t_ns=np.array([0, 1]), value=np.zeros(2), stale_after_ns=1)
    wheel = Wheel(name="w", open_ns=np.array([[0, 1]]), unknown=Spans())
    readings = Readings(
        span_ns=(0, 1),
        slew=trace,
        load=trace,
        radius=trace,
        wheels=(wheel,),
        hanging=Spans(),
        grounded=Spans(),
        test_load_kg=1.0,
    )
    traces_figure(overview_of(readings), (), LIGHT).to_dict()
    outline = TruckOutline(
        wheels=((0.0, 1.0), (2.0, 1.0)), outriggers=(), column=(0.0, 0.0), to_scale=False
    )
    state = PlanState(slew_deg=0.0, radius_m=1.0, load="unknown", wheels=("closed", "closed"))
    plan_figure(outline, state, LIGHT, names=("w", "v"), ring_m=2.0).to_dict()
    sectors_figure({}, LIGHT).to_dict()
