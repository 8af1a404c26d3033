"""Every statistic that a table of item, group and value carries, as plain values for JSON.

``{"repeatability": …, "agreement": …, "gauge": …, "individuals": …}``, each a document of its own
or ``{"why_not": "one line"}``. Estimates are plain numbers; the 95 % interval of ``x`` is
``x_interval``, a list [low, high]. Each document has ``source``, ``n``, ``level`` (0.95) and
``provisional``. What can't be told is null, never NaN.

- repeatability: ``n, items, groups, s_r, s_r_interval, s_r_dof, repeatability_limit,
  repeatability_factor, s_L, s_L_interval, s_R, s_R_interval, s_R_dof, reproducibility_limit,
  reproducibility_factor, reproducibility_why_not, by_item``; an entry of ``by_item`` has the same
  numbers for one item with ``item, mean, h_critical, k_critical, by_group`` and each of
  ``by_group`` ``group, n, mean, s, h, k, unusual``.
- agreement: ``n`` (pairs), ``first, second`` (the difference is first less second), ``bias,
  bias_interval, sd, sd_interval, lower_limit, lower_limit_interval, upper_limit,
  upper_limit_interval, trend: {slope, slope_interval, p} | null, pairs: [{item, first, second,
  mean, difference}], unpaired: [items]``.
- gauge: ``n, items, groups, repeats, ev, av, interaction, reproducibility, grr, pv, tv`` with
  ``…_interval`` each, ``pooled, pooling_alpha, percent_of_tv: {ev, …}, percent_contribution: {ev,
  …}, percent_grr, percent_grr_interval, ndc, ndc_interval, ndc_whole, mark, anova: [{term, ss,
  dof, ms, f, p}], average_and_range: {ev, av, grr, pv, tv, percent_grr, ndc}``.
- individuals: ``n, mean, mean_interval, moving_range_mean, sigma, sigma_interval, lower_limit,
  upper_limit, moving_range_limit, values, moving_ranges, signals: [{rule, at: [rows from 1],
  text}], by_item``.
"""

from __future__ import annotations

from typing import Any

from dashboard.repeats.measurements import Measurements


def table_statistics(measurements: Measurements) -> dict[str, Any]:
    """All four statistics of a table, ready for JSON."""
    raise NotImplementedError(measurements)
