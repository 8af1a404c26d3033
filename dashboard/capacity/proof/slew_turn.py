"""In which turn a boom stood: encoders name angles anew after each turn, theirs or the boom's."""

from __future__ import annotations

from dataclasses import replace

from dashboard.capacity.proof.evidence import SlewRecord
from logger.events.sweep import Excursion, SweepDetector
from logger.readings.calibration import FULL_TURN_DEG
from logger.readings.spans import Spans


def of_the_right_turn(slew: SlewRecord | None, hanging: Spans) -> SlewRecord | None:
    """The same angles in the turn in which the load first hung: no test begins beyond the cab.

    A boom that was stowed a little beyond the cab may come to the rear by the longer way.

    Args:
        slew: the slew angle, or None.
        hanging: when the load hung.
    """
    if slew is None or not hanging.pairs or not slew.t_ns.size:
        return slew
    back_deg = round(slew.at(hanging.pairs[0][0]) / FULL_TURN_DEG) * FULL_TURN_DEG
    if back_deg == 0:
        return slew
    bins = replace(slew.bins, median=slew.bins.median - back_deg)
    return replace(slew, slew_deg=slew.slew_deg - back_deg, bins=bins)


def excursions_of(slew: SlewRecord | None) -> tuple[Excursion, ...]:
    """The boom's ways out to one side and back; none without an encoder."""
    if slew is None:
        return ()
    detector = SweepDetector()
    return (*detector.take(slew.bins), *detector.finish())
