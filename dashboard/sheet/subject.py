"""Who tested what for whom, where, when, by which method, under which conditions."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from dashboard.figures.units import Measure
from dashboard.figures.words import duration_words, number_words, plain_number
from dashboard.sheet.blocks import Facts, Section, Words, missing
from dashboard.sheet.dossier import Dossier
from dashboard.sheet.written import (
    later_utc,
    name_in_words,
    size_words,
    spelled,
    utc_words,
)

_DEGREES = Measure(unit="deg", si_in_one=1.0, digits=2)
_ONLY_THIS = (
    "The results relate only to the item tested, in the condition and configuration in which it "
    "was tested. A truck that was changed is tested again."
)


def subject(dossier: Dossier) -> Section:
    """Item, customer, laboratory, dates."""
    stated, test = dossier.stated, dossier.test
    return Section(
        title="What was tested, for whom, where and when",
        blocks=(
            Facts(
                rows=(
                    ("Laboratory", stated.words("laboratory")),
                    ("Site", stated.words("site")),
                    ("Customer", stated.words("customer")),
                    ("Truck", spelled(test.truck.id)),
                    ("Truck, identity", stated.words("truck")),
                    (
                        "Build",
                        spelled(test.truck.build) or missing("the test file does not name it"),
                    ),
                    ("Crane", spelled(test.crane.id) or missing("the test file does not name it")),
                    ("Crane, identity", stated.words("crane")),
                    ("Wheels watched", ", ".join(map(name_in_words, test.truck.wheels))),
                    ("Configuration", stated.words("configuration")),
                    ("Condition", stated.words("condition")),
                    ("Rated moment", dossier.units.moment.words(test.crane.rated_moment_nm)),
                    ("Rated load", _rated_load(dossier)),
                    ("Date of the test", _tested(dossier)),
                    ("Date of issue", dossier.issued),
                )
            ),
            Words(text=_ONLY_THIS),
        ),
    )


def method(dossier: Dossier) -> Section:
    """Method, basis, deviations, notes to the test."""
    test, stated, result = dossier.test, dossier.stated, dossier.result
    limit = test.method
    return Section(
        title="Method",
        blocks=(
            Facts(
                rows=(
                    ("Procedure", stated.words("procedure")),
                    ("Basis", test.method.basis or missing("the test file does not state it")),
                    ("Moment factor", plain_number(round(result["required"]["factor"], 4))),
                    ("Decision rule", result["rule"] + _asked_otherwise(dossier)),
                    ("Sectors", f"{result['rounding']['sectors']}: {_sector_words(dossier)}"),
                    ("Fastest slew allowed", f"{plain_number(limit.slew_rate_limit_dps)} deg/s"),
                    ("Method of computing", f"version {result['method_version']}"),
                    ("Deviations", stated.words("deviations")),
                    ("Remarks", test.test.notes or missing("the test file holds none")),
                )
            ),
        ),
    )


def surroundings(dossier: Dossier) -> Section:
    """Ground, level, wind, temperature: as a sensor told, or as someone stated."""
    stated, units = dossier.stated, dossier.units
    return Section(
        title="Conditions",
        blocks=(
            Facts(
                rows=(
                    ("Ground", stated.words("ground")),
                    ("Wind", _sensed(dossier, ("wind",), units.speed, key="wind")),
                    ("Level", _sensed(dossier, ("pitch", "roll"), _DEGREES, key="level")),
                    ("Temperature", stated.words("temperature")),
                )
            ),
        ),
    )


def _rated_load(dossier: Dossier) -> str:
    crane, units = dossier.test.crane, dossier.units
    if crane.rated_load_kg is None or crane.rated_radius_m is None:
        return missing("the test file states the rated moment only")
    return f"{units.mass.words(crane.rated_load_kg)} at {units.length.words(crane.rated_radius_m)}"


def _tested(dossier: Dossier) -> str:
    header = dossier.header
    lasted_s = _lasted_s(dossier)
    lasted = duration_words(lasted_s)
    if header.started_utc is None:
        return missing(f"the run does not know its start in UTC; it lasted {lasted}")
    end = later_utc(header.started_utc, lasted_s)
    told = f"{utc_words(header.started_utc)} to {end[11:19]}, {lasted}"
    if header.clock_rate == 1:
        return told
    return f"{told}; simulated, the run's clock went {plain_number(header.clock_rate)} times faster"


def _lasted_s(dossier: Dossier) -> float:
    """How long the run took by the clock on the wall, s."""
    first_ns, last_ns = dossier.readings.span_ns
    return (last_ns - first_ns) * 1e-9 / dossier.header.clock_rate


def _asked_otherwise(dossier: Dossier) -> str:
    result = dossier.result
    was = result.get("stated", {}).get("rule", result["rule"])
    return "" if was == result["rule"] else f" (the test file states {was})"


def _sector_words(dossier: Dossier) -> str:
    rounding = dossier.result["rounding"]
    how = {
        "single": "one reduced sector a side beyond a first lift",
        "steps": "one reduced sector for each hold beyond a first lift",
    }[rounding["sectors"]]
    return (
        f"{how}; angles to {plain_number(rounding['angle_step_deg'])}°, percentages down to "
        f"{plain_number(rounding['percent_step'])} %"
    )


def _sensed(dossier: Dossier, channels: tuple[str, ...], measure: Measure, *, key: str) -> str:
    told = "; ".join(_ranges(dossier, channels, measure))
    said = dossier.stated.text(key)
    if told:
        return f"{told} (by sensor, over the whole run){f'; {said}' if said else ''}"
    wired = " or ".join(channels)
    return dossier.stated.words(
        key, reason=f"no {wired} was recorded and the test file states nothing"
    )


def _ranges(dossier: Dossier, channels: tuple[str, ...], measure: Measure) -> Iterator[str]:
    for channel in channels:
        if channel in dossier.run.channels:
            value = dossier.run.calibrated(channel).value
            value = value[np.isfinite(value)]
            if value.size:
                low, high = (float(v) for v in (value.min(), value.max()))
                name = f"{channel} " if len(channels) > 1 else ""
                low_words = number_words(measure.of(low), "", digits=measure.digits)
                yield f"{name}{low_words} to {measure.words(high)}"


def planned(dossier: Dossier) -> Facts:
    """What was planned beside what was done."""
    plan, units, test = dossier.result["plan"], dossier.units, dossier.test
    holds = [h for s in dossier.result["sweeps"] for h in s["holds"]]
    loads = [h["load_kg"] for h in holds]
    radii = [h["radius_m"] for h in holds if h["radius_m"] is not None]
    none = "done: nothing, no stretch was held"
    return Facts(
        rows=(
            (
                "Test load",
                f"planned {units.mass.words(plan['test_load_kg'], digits=1)}; "
                + (f"hung {_range(loads, units.mass, digits=1)}" if loads else none),
            ),
            (
                "Test radius",
                f"planned {units.length.at_least(plan['test_radius_m'])}, with the guard "
                f"{units.length.at_least(plan['guarded_radius_m'])}; "
                + (f"held {_range(radii, units.length)}" if radii else "done: no radius is known"),
            ),
            ("Sweep, right", _swept(dossier, "right", test.truck.slew_limit_right_deg)),
            ("Sweep, left", _swept(dossier, "left", test.truck.slew_limit_left_deg)),
            ("Aborts and repeats", _repeats(dossier)),
        )
    )


def _range(values: list[float], measure: Measure, *, digits: int | None = None) -> str:
    low, high = (measure.words(v, digits=digits) for v in (min(values), max(values)))
    return low if low == high else f"{low} to {high}"


def _swept(dossier: Dossier, side: str, limit_deg: float) -> str:
    reached = [abs(s["reached_deg"]) for s in dossier.result["sweeps"] if s["side"] == side]
    done = f"reached {size_words(max(reached))}" if reached else "not swept"
    return f"planned up to {size_words(limit_deg)}; {done}"


def _repeats(dossier: Dossier) -> str:
    sweeps = dossier.result["sweeps"]
    left_out = [s for s in sweeps if not s["counts"]]
    if not sweeps:
        return "no sweep was made"
    if not left_out:
        return f"none: {len(sweeps)} sweep{'s' if len(sweeps) > 1 else ''}, all of which count"
    return f"{len(left_out)} of {len(sweeps)} sweeps do not count, see the table"
