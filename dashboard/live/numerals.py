"""The large numerals of the live page: slew, load, radius, moment, and what stands below each."""

from __future__ import annotations

from collections.abc import Iterator

from dashboard.figures.units import Units
from dashboard.figures.words import clock_words
from dashboard.live.picture import LivePicture
from logger.events.load_phase import LoadState
from logger.readings.quantity import STANDARD_GRAVITY_MPS2

OVER_THE_PLAN = 0.05
"""Share of the test load that may hang beyond it before the page says so: as much as may be
missing from a load that counts as hanging."""
_WORDS_OF_LOAD = {
    LoadState.HANGING: "◆ hanging",
    LoadState.GROUNDED: "◇ on the ground",
    LoadState.UNKNOWN: "? unknown",
}

_Place = tuple[str, str, str]
"""A place's id, its words, its state."""


def numeral_words(picture: LivePicture, units: Units) -> Iterator[_Place]:
    """What each numeral says, what stands below it, and its state; and the run's time."""
    yield from _slew(picture)
    yield from _load(picture, units)
    yield from _radius(picture, units)
    yield from _moment(picture, units)
    view = picture.view
    yield "live-clock", clock_words(0.0 if view is None else view.t_ns * 1e-9).split(".")[0], ""


def _numeral(key: str, text: str | None, below: str, *, abnormal: bool = False) -> Iterator[_Place]:
    state = "unknown" if text is None else "abnormal" if abnormal else "known"
    yield f"live-{key}", "", state
    yield f"live-{key}-value", "?" if text is None else text, ""
    yield f"live-{key}-below", below, ""


def _slew(picture: LivePicture) -> Iterator[_Place]:
    slew_deg = picture.slew_deg
    if slew_deg is None:
        yield from _numeral("slew", None, "no data")
        return
    size = f"{abs(slew_deg):.1f}"
    side = "over the rear" if float(size) == 0 else "right" if slew_deg > 0 else "left"
    yield from _numeral("slew", f"{size}°", side)


def _load(picture: LivePicture, units: Units) -> Iterator[_Place]:
    applied_kg = picture.applied_kg
    words = _WORDS_OF_LOAD[picture.load_state]
    if picture.load_state is LoadState.GROUNDED and picture.view and picture.view.load_hangs:
        words = "◈ partly hanging"
    if applied_kg is None:
        yield from _numeral("load", None, "no data")
        return
    over_kg = applied_kg - picture.test.load.mass_kg
    too_much = over_kg > OVER_THE_PLAN * picture.test.load.mass_kg
    if too_much:
        words = f"▲ {units.mass.words(over_kg)} over plan"
    text = _bare(units.mass.words(applied_kg), units.mass.unit)
    yield from _numeral("load", text, words, abnormal=too_much)


def _radius(picture: LivePicture, units: Units) -> Iterator[_Place]:
    radius_m, plan = picture.radius_m, picture.plan
    by_tape = not picture.has_radius_sensor
    if radius_m is None:
        yield from _numeral("radius", None, "measure and note it" if by_tape else "no data")
        return
    text = _bare(units.length.words(radius_m), units.length.unit)
    if plan is None:
        yield from _numeral("radius", text, "by tape" if by_tape else "")
        return
    off_m = radius_m - plan.guarded_radius_m
    off = units.length.words(abs(off_m))
    size = f"{off} {'beyond' if off_m > 0 else 'short of'} plan"
    below = "as planned" if not float(f"{off_m:.2f}") else size
    yield from _numeral("radius", text, f"{below}{', by tape' if by_tape else ''}")


def _moment(picture: LivePicture, units: Units) -> Iterator[_Place]:
    applied_kg, radius_m, plan = picture.applied_kg, picture.radius_m, picture.plan
    if plan is None or applied_kg is None or radius_m is None:
        yield from _numeral("moment", None, "no data")
        return
    moment_nm = applied_kg * STANDARD_GRAVITY_MPS2 * radius_m
    share = 100 * moment_nm / plan.required_moment_nm
    yield from _numeral("moment", f"{share:.0f} %", units.moment.words(moment_nm))


def _bare(words: str, unit: str) -> str:
    """Without its unit, which the heading has."""
    return words.removesuffix(unit).rstrip()
