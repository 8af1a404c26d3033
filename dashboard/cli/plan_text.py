"""A plan as text for a terminal of 80 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Any

from dashboard.capacity.planning.plan import radius_digits

_WIDTH = 79
_SPACES = "\n\u00a0\u2009\u202f"
_SIGN = {"fine": "■ fine", "look": "▲ LOOK"}


def plan_text(plan: dict[str, Any]) -> str:
    """A plan in words and tables.

    Args:
        plan: a ``slewtrace.plan/1`` document.
    """
    parts = (
        _heading(plan),
        _radii(plan),
        _budget(plan),
        _table(plan),
        _expected(plan),
        _slewing(plan),
        _checks(plan),
        plan["cautions"],
    )
    text = "\n\n".join("\n".join(lines) for part in parts if (lines := list(part)))
    # A name may hold what a terminal would obey.
    return "".join(c if c.isprintable() or c in _SPACES else "�" for c in text)


def _heading(plan: dict[str, Any]) -> Iterator[str]:
    method = plan["method"]
    yield f"Plan of test {plan['test']}, truck {plan['truck']}"
    yield ""
    yield _fact("Test load", f"{plan['test_load_kg']:.1f} kg", "all below the boom tip")
    yield from _wrapped(
        f"= {method['formula']}",
        first=_fact("Required moment", _knm(plan["required_moment_nm"]), "") + "   ",
        rest=" " * 34,
    )
    yield from _wrapped(method["basis"], first="  Basis  ", rest="         ")


def _radii(plan: dict[str, Any]) -> Iterator[str]:
    digits = radius_digits(plan["tape_step_m"])
    guarded_m = plan["guarded_radius_m"]
    yield _fact(
        "Test radius",
        f"{plan['test_radius_m']:.{digits}f} m",
        f"rounded up to the tape step, {1000 * plan['tape_step_m']:g} mm",
    )
    yield _fact("Guarded radius", f"{guarded_m:.{digits}f} m", "use this one: its moment reaches")
    yield _fact("", "", "the required one after its uncertainty is off")
    if plan["rule"] == "simple":
        yield _fact("", "", "(the method's rule is simple acceptance, which")
        yield _fact("", "", "the test radius would meet with nothing to spare)")


def _budget(plan: dict[str, Any]) -> Iterator[str]:
    budget = plan["budget"]
    dof = budget["degrees_of_freedom"]
    known = "" if dof is None else f", {dof:.0f} degrees of freedom"
    yield (
        f"Moment at {plan['guarded_radius_m']:.{radius_digits(plan['tape_step_m'])}f} m: "
        f"{budget['value'] / 1000:.2f} ± {budget['expanded'] / 1000:.2f} kN·m "
        f"(k = {budget['coverage_factor']:.2f}{known})"
    )
    yield "  what                              value             u   share of variance"
    for entry in budget["contributions"]:
        name = entry["name"] if len(entry["name"]) < 28 else entry["name"][:26] + "…"
        value, u = _value_and_u(entry)
        yield f"  {name:27}{value:>14}{u:>14}{_share(entry['share']):>13}"


def _value_and_u(entry: dict[str, Any]) -> tuple[str, str]:
    u = entry["u"]
    if entry["unit"] == "m":
        return f"{entry['value']:.3f} m", f"{1000 * u:.2f} mm"
    return f"{entry['value']:.1f} kg", f"{u:.2f} kg" if u else "none stated"


def _share(share: float) -> str:
    return f"{100 * share:.0f} %"


def _table(plan: dict[str, Any]) -> Iterator[str]:
    digits = radius_digits(plan["tape_step_m"])
    charted = any("chart_kg" in row for row in plan["table"])
    yield "Other loads"
    yield "     load kg    radius m   guarded m" + ("    chart kg" if charted else "")
    for row in plan["table"]:
        line = (
            f"{row['test_load_kg']:12.1f}{row['test_radius_m']:12.{digits}f}"
            f"{row['guarded_radius_m']:12.{digits}f}"
        )
        if charted:
            kg = row["chart_kg"]
            line += f"{'—':>12}" if kg is None else f"{kg:12.0f}"
        planned = abs(row["test_load_kg"] - plan["test_load_kg"]) < 1e-6
        yield line + ("   ← planned" if planned else "")


def _expected(plan: dict[str, Any]) -> Iterator[str]:
    if not plan["expected"]:
        return
    yield "Expected by the truck model (a reckoning: it proves nothing)"
    for side in plan["expected"]:
        yield from _wrapped(_expected_words(side, plan), first=f"  {side['side']:7}", rest=" " * 9)
    if any(side["wheel"] for side in plan["expected"]):
        yield "  First lift is not tipping: it comes well before."


def _expected_words(side: dict[str, Any], plan: dict[str, Any]) -> str:
    if not side["wheel"]:
        return f"no wheel lifts up to {side['limit_deg']:g}°"
    lift = f"{side['wheel']} lifts first, near {side['lift_deg']:.0f}°"
    if side["reduced_radius_m"] is None:
        return f"{lift}; no radius goes round to {side['limit_deg']:g}°"
    digits = radius_digits(plan["tape_step_m"])
    return (
        f"{lift}; brought in to {side['reduced_radius_m']:.{digits}f} m the load would go round "
        f"to {side['limit_deg']:g}°, for {side['percent']:g} %"
    )


def _slewing(plan: dict[str, Any]) -> Iterator[str]:
    slew = plan["slewing"]
    yield (
        f"Slew no faster than, for a lift angle to {slew['resolution_deg']:g}° "
        f"({slew['arc_mm']:.0f} mm of arc, clocks to {1000 * slew['clock_u_s']:g} ms)"
    )
    yield from _paces(slew)
    if slew["swing_period_s"] is None:
        yield from _wrapped(
            "Swing not reckoned with: give [crane] rope_length, boom tip to the middle of the "
            "load.",
            first="  ",
            rest="  ",
        )
        return
    most = " at most" if slew["pendulum_is_bound"] else ""
    yield from _wrapped(
        f"The load swings with a period of{most} {slew['swing_period_s']:.1f} s on "
        f"{slew['pendulum_m']:g} m of rope. A slew begun at once may reach "
        f"{slew['by_swing_dps']:.2f} °/s before its swing is wider than that angle; begin gently.",
        first="  ",
        rest="  ",
    )


def _paces(slew: dict[str, Any]) -> Iterator[str]:
    """A line for each rate that differs from the one of slower contacts."""
    paces = slew["by_contacts"]
    for n, pace in enumerate(paces):
        if n and pace["advised_dps"] == paces[n - 1]["advised_dps"]:
            continue
        alike = n + 1 < len(paces) and pace["advised_dps"] == paces[n + 1]["advised_dps"]
        contacts = f"contacts read at {pace['contact_rate_hz']:g} Hz{' or more' if alike else ''}"
        yield f"{pace['advised_dps']:8.2f} °/s   {contacts}{_limited_by(pace, slew)}"


def _limited_by(pace: dict[str, Any], slew: dict[str, Any]) -> str:
    if pace["advised_dps"] == slew["by_swing_dps"]:
        return "; the swing sets this"
    if pace["advised_dps"] == slew["limit_dps"]:
        return "; slew_rate_limit sets this"
    return ""


def _checks(plan: dict[str, Any]) -> Iterator[str]:
    yield "Checks"
    digits = radius_digits(plan["tape_step_m"])
    for check in plan["checks"]:
        yield f"  {_SIGN[check['verdict']]}  {check['what']:28}{_against(check, digits)}".rstrip()
        if check["verdict"] == "look":
            yield from _wrapped(check["says"], first=" " * 10, rest=" " * 10)
    for missing in plan["not_checked"]:
        words = f"{missing['what']:28}not checked: give {missing['give']}"
        yield from _wrapped(words, first="  □ —     ", rest=" " * 38)


def _against(check: dict[str, Any], digits: int) -> str:
    """A check's number and its limit; lengths as finely as the tape."""
    if check["limit"] is None:
        return ""
    value, limit = (
        "—" if v is None else f"{v:.{digits if check['unit'] == 'm' else 0}f} {check['unit']}"
        for v in (check["value"], check["limit"])
    )
    return f"{value.strip():>9}   {check['bound']} {limit.strip()}"


def _fact(name: str, value: str, says: str) -> str:
    return f"{name:16}{value:>13}   {says}".rstrip()


def _knm(moment_nm: float) -> str:
    return f"{moment_nm / 1000:.2f} kN·m"


def _wrapped(text: str, *, first: str, rest: str) -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent=first, subsequent_indent=rest)
