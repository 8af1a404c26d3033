"""When the whole load hung: without the ends of a hanging stretch, and without partial support.

A load hangs at 95 % of itself already, but a hold's moment is that of the whole load. Where the
last hundredths still stood on the ground, or a tag line or an obstacle carried some of it for
longer than half a swing, a wheel was spared by as much, and nothing was proved.
"""

from __future__ import annotations

import numpy as np

from dashboard.capacity.proof.evidence import Evidence
from dashboard.capacity.proof.hold_load import HoldLoad
from dashboard.capacity.proof.stretches import hung_at, within
from logger.events.load_phase import HALF_SWING_NS
from logger.readings.spans import Spans

WHOLE_SHARE = 0.005
"""A slice that reads no more than this below the hold's load shows it whole; a choice."""


def wholly_hung(evidence: Evidence, span: tuple[int, int], load: HoldLoad | None) -> Spans:
    """When the whole load hung in a stretch, or in the hanging stretch that it belongs to.

    Args:
        evidence: what the run shows.
        span: a hanging stretch or a part of one, ns.
        load: what hung in it; None where nothing tells it.
    """
    hung = hung_at(evidence, span)
    slices = within(evidence.load, hung)
    if load is None:
        return Spans()
    short_kg = max(WHOLE_SHARE * load.load_kg, 2 * load.u_kg)
    whole = slices.median >= load.load_kg - short_kg - load.amplitude_kg
    if not whole.any():
        return Spans()
    (enough,) = np.nonzero(whole)
    ends = (int(slices.last_ns[enough[0]]), int(slices.first_ns[enough[-1]]) + 1)
    # Inside, the swing needs no allowance: it has risen again within half a period.
    (full,) = np.nonzero(slices.median >= load.load_kg - short_kg)
    last_ns, first_ns = slices.last_ns[full[:-1]], slices.first_ns[full[1:]]
    long = first_ns - last_ns > HALF_SWING_NS
    held = zip(last_ns[long].tolist(), first_ns[long].tolist(), strict=True)
    return Spans.of([ends]) - Spans.of(held)
