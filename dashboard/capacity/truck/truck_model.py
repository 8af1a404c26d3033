"""The truck as a frame that stands on one-sided springs.

A truck on four springs is stiff enough to lift a wheel long before it tips: first lift is not
tipping. What it stands like is found from its springs (``frame.py``, ``truck_stand.py``), so
are its first lifts (``wheel_reaching_zero.py``); tipping is rigid and asks only where masses
and supports are (``tipping.py``). ``model_document.py`` puts it all together. Here is what
other parts use.
"""

from __future__ import annotations

from dashboard.capacity.truck.model_document import FORMAT, model_result
from dashboard.capacity.truck.tipping import TippingLoads, tipping_load_kg, tipping_loads
from dashboard.capacity.truck.truck_stand import (
    Stand,
    boom_direction,
    load_position_m,
    reactions_n,
    stand,
    stand_with,
    with_mass,
)
from dashboard.capacity.truck.wheel_reaching_zero import Side, first_lift

__all__ = [
    "FORMAT",
    "Side",
    "Stand",
    "TippingLoads",
    "boom_direction",
    "first_lift",
    "load_position_m",
    "model_result",
    "reactions_n",
    "stand",
    "stand_with",
    "tipping_load_kg",
    "tipping_loads",
    "with_mass",
]
