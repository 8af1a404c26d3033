"""Every statistic that a table of item, group and value carries, as plain values for JSON.

``{"repeatability": …, "agreement": …, "gauge": …, "individuals": …}``, each a document of its own
or ``{"why_not": "one line"}``. Estimates are plain numbers; the 95 % interval of ``x`` is
``x_interval``, a list [low, high]. Each document has ``source``, ``n``, ``level`` (0.95) and
``provisional``. What can't be told is null, never NaN.

- repeatability: ``n, items, groups, s_r, s_r_interval, s_r_dof, repeatability_limit,
  repeatability_factor, s_L, s_L_interval, s_R, s_R_interval, s_R_dof, reproducibility_limit,
  reproducibility_factor, why_not_all, note, items_alike_p, by_item``; an entry of ``by_item`` has
  the same numbers for one item with ``item, mean, h_critical, k_critical, by_group`` and each of
  ``by_group`` has ``group, n, mean, s, h, k, unusual``.
- agreement: ``n`` (pairs), ``first, second`` (the difference is first less second), ``bias, sd,
  lower_limit, upper_limit`` with ``…_interval`` each, ``trend: {slope, slope_interval, p} | null,
  pairs: [{item, first, second, mean, difference}], unpaired: [items], repeated``.
- gauge: ``n, items, groups, repeats, ev, av, interaction, reproducibility, grr, pv, tv`` with
  ``…_interval`` each, ``pooled, pooling_alpha, interaction_p, percent_of_tv: {ev, …},
  percent_contribution: {ev, …}, percent_grr, percent_grr_interval, ndc, ndc_interval, ndc_whole,
  enough_categories, mark, mark_is_certain, anova: [{term, ss, dof, ms, f, p}],
  average_and_range: {ev, av, grr, pv, tv, percent_grr, ndc}``.
- individuals: ``n, mean, mean_interval, moving_range_mean, sigma, sigma_interval, lower_limit,
  upper_limit, moving_range_limit, values, moving_ranges, signals: [{rule, at: [rows from 1],
  text}], note, by_item: [the same for each item with two values or more, with item]``.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from dashboard.repeats.agreement import agreement
from dashboard.repeats.gauge import gauge
from dashboard.repeats.individuals import individuals
from dashboard.repeats.measurements import Measurements, NotEnough
from dashboard.repeats.repeatability import repeatability

SEVERAL_ITEMS = (
    "one chart for all rows in their order: where items differ by themselves, look at by_item"
)


def table_statistics(measurements: Measurements) -> dict[str, Any]:
    """All four statistics of a table, ready for JSON."""
    return {
        "repeatability": _document(lambda: repeatability(measurements).document()),
        "agreement": _document(lambda: agreement(measurements).document()),
        "gauge": _document(lambda: gauge(measurements).document()),
        "individuals": _document(lambda: _charts(measurements)),
    }


def _document(told: Callable[[], dict[str, Any]]) -> dict[str, Any]:
    try:
        return told()
    except NotEnough as none:
        return {"why_not": none.reason}


def _charts(measurements: Measurements) -> dict[str, Any]:
    """The chart of all rows, and of each item where there are several."""
    document = individuals(measurements).document()
    names = measurements.item_names
    parts = [(name, measurements.of_item(name)) for name in names] if len(names) > 1 else []
    charts = [
        {"item": name} | individuals(rows).document()
        for name, rows in parts
        if len(rows.values) > 1
    ]
    return document | {"note": SEVERAL_ITEMS if charts else None, "by_item": charts}
