"""Draws each kind of figure once, since the first costs a second of imports and checks."""

from __future__ import annotations

import numpy as np

from dashboard.figures.overview import overview_of
from dashboard.figures.palette import LIGHT
from dashboard.figures.readings import Readings, Trace, Wheel
from dashboard.figures.sectors import sectors_figure
from dashboard.figures.traces import traces_figure
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
    sectors_figure({}, LIGHT).to_dict()
