"""How sure the result is: the decision rule, its guard, and every budget.

A budget's lines recur from hold to hold, so they stand in one table with a column a hold; so do
those of the lifts.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from typing import Any

from dashboard.figures.units import Measure
from dashboard.sheet.blocks import Block, Facts, Heading, Section, Table, Words
from dashboard.sheet.dossier import Dossier
from dashboard.sheet.proceedings import numbered

_COLUMNS = 5
"""Budgets side by side in one table."""
_MOST_SOURCES = 2
_MANY = 1000
_GUARDS = {
    "guarded": "the guard band is the expanded uncertainty U = k·u of each moment; it is taken off "
    "before the moment is judged",
    "simple": "no guard band: each moment is judged as measured",
}
_DEGREES = Measure(unit="deg", si_in_one=1.0, digits=3)


def doubt(dossier: Dossier) -> Section:
    """Rule, guard, coverage factor, and the uncertainty budgets."""
    return Section(title="Decision rule and uncertainty", blocks=tuple(_blocks(dossier)))


def _blocks(dossier: Dossier) -> Iterator[Block]:
    result, moment = dossier.result, dossier.units.moment
    yield Facts(
        rows=(
            ("Decision rule", _capital(result["decision_rule"].removeprefix("Decision rule: "))),
            ("Guard", _GUARDS[result["rule"]]),
            ("Coverage", "k by Student's t for 95.45 %; k = 2 where many readings tell"),
        )
    )
    holds = [
        (f"hold {n}", h["moment_budget"])
        for n, _, h in numbered(dossier, "holds")
        if h["moment_budget"] is not None
    ]
    yield Heading(text=f"Moment of each hold, contributions to u in {moment.unit}")
    yield from _tables(holds, moment, none="n/a, because no moment was measured.")
    lifts = [(f"lift {n}", lift["budget"]) for n, _, lift in numbered(dossier, "lifts")]
    yield Heading(text="Slew angle of each lift, contributions to u in degrees")
    yield from _tables(lifts, _DEGREES, none="n/a, because no wheel lifted.")
    yield Words(
        text="The budgets follow JCGM 100 (GUM): contributions as standard uncertainties of the "
        "result, added by squares unless they err together.",
        small=True,
    )


def _capital(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]


def _tables(
    budgets: list[tuple[str, dict[str, Any]]], measure: Measure, *, none: str
) -> Iterator[Block]:
    if not budgets:
        yield Words(text=none)
    for first in range(0, len(budgets), _COLUMNS):
        yield _table(budgets[first : first + _COLUMNS], measure)


def _table(budgets: list[tuple[str, dict[str, Any]]], measure: Measure) -> Table:
    names = dict.fromkeys(c["name"] for _, b in budgets for c in b["contributions"])
    return Table(
        head=("contribution", "distribution", "known from", *(name for name, _ in budgets)),
        rows=tuple(_line(name, [b for _, b in budgets], measure) for name in names),
        foot=tuple(_sums([b for _, b in budgets], measure)),
        widths=(1.3, 0, 1.3, *(0 for _ in budgets)),
        numbers=tuple(range(3, 3 + len(budgets))),
    )


def _line(name: str, budgets: list[dict[str, Any]], measure: Measure) -> tuple[str, ...]:
    parts = [next((c for c in b["contributions"] if c["name"] == name), None) for b in budgets]
    known = [p for p in parts if p is not None]
    sources = [*islice(dict.fromkeys(p["source"] for p in known), _MOST_SOURCES)]
    more = " …" if len({p["source"] for p in known}) > _MOST_SOURCES else ""
    return (
        name,
        known[0]["shape"],
        "; ".join(sources) + more,
        *("—" if p is None else _figures(p["u_y"], measure) for p in parts),
    )


def _sums(budgets: list[dict[str, Any]], measure: Measure) -> Iterator[tuple[str, ...]]:
    yield ("standard uncertainty u", "", "", *(_figures(b["u"], measure) for b in budgets))
    yield ("degrees of freedom", "", "", *(_dof(b["dof"]) for b in budgets))
    yield ("coverage factor k", "", "", *(f"{b['k']:.2f}" for b in budgets))
    yield (
        "expanded uncertainty U",
        "",
        "",
        *(_figures(b["expanded"], measure) for b in budgets),
    )


def _dof(dof: float | None) -> str:
    return f"{dof:.0f}" if dof is not None and dof < _MANY else f"over {_MANY}"


def _figures(si: float, measure: Measure) -> str:
    """Three figures, so that a column's small contributions can still be told apart."""
    value = measure.of(si)
    return f"{value:#.3g}".rstrip(".") if abs(value) < 1000 else f"{value:.0f}"
