"""How often the 95 % intervals of the statistics on repeat tests hold the truth.

Not part of the suite::

    nice python -m tests.campaigns.repeat_coverage --trials 10000

Tables are drawn from normal distributions with known spreads and go through the code that users
call. Pass line: 94 to 96 % of the intervals hold the truth. Intervals of a component that is zero,
or small beside what hides it, begin at zero and hold more often, by design: those (``ABOVE``) have
no upper line, and their figures are told. ``exceeded`` is no interval but what a limit promises:
5 % of new differences beyond it, and ``same_by_mistake`` is how often two phases that lie just at
the practical limit are called the same, at most 5 %.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from dashboard.repeats.agreement import WIDTH, agreement
from dashboard.repeats.equivalence import judged, welch_difference
from dashboard.repeats.gauge import TO_CATEGORIES, gauge
from dashboard.repeats.individuals import chart
from dashboard.repeats.measurements import Measurements
from dashboard.repeats.precision import precision_of

LEAST, MOST = 0.94, 0.96
OF_REPEATS = ("6 pairs of 2 and 2", "12 pairs of 2 and 3", "12 pairs of 1 to 4")
ABOVE = {
    *("s_L", "av", "interaction", "reproducibility", "pv", "tv", "grr/tv", "ndc"),
    *(
        (f"agreement: {pairs}", f"{end} limit")
        for pairs in OF_REPEATS
        for end in ("lower", "upper")
    ),
    ("phases: 3 and 3", "difference"),
}
"""What is rather long: components, sums and ratios with few groups, limits of agreement where there
are repeats, Welch's interval of three values on each side."""


def table_of(numbers, *, item, group, both, error, rng):
    """A crossed table as measurements.

    Args:
        numbers: values in each cell, shape (items, groups).
        item: standard deviation of the items.
        group: of the groups.
        both: of the interaction.
        error: of the values in a cell.
        rng: draws them.
    """
    p, q = numbers.shape
    means = rng.normal(0, item, (p, 1)) + rng.normal(0, group, (1, q))
    means = 100 + means + rng.normal(0, both, (p, q))
    where = [(i, g) for i in range(p) for g in range(q) for _ in range(numbers[i, g])]
    return Measurements(
        items=tuple(f"item {i}" for i, _ in where),
        groups=tuple(f"group {g}" for _, g in where),
        values=tuple((means[i, g] + rng.normal(0, error)).item() for i, g in where),
    )


def of_repeatability(rng, numbers, *, between, both=0.0):
    """Which intervals of s_r, s_L and s_R held; how often a limit was exceeded."""
    table = table_of(np.array(numbers), item=3, group=between, both=both, error=1, rng=rng)
    found = precision_of(table.cells(), table.item_names, table.group_names)
    s_l = float(np.hypot(between, both))
    s_total = float(np.hypot(s_l, 1))
    held = {
        "s_r": found.within.interval.holds(1),
        "exceeded repeatability": abs(rng.normal(0, np.sqrt(2))) > found.within.limit,
    }
    if found.total is None:
        return held
    apart = abs(rng.normal(0, np.sqrt(2) * s_total)) > found.total.limit
    return held | {
        zero("s_L", s_l): found.between.interval.holds(s_l),
        "s_R": found.total.interval.holds(s_total),
        "exceeded reproducibility": apart,
    }


def of_agreement(rng, first, second):
    """Which intervals of bias, spread and limits held; repeats of each item by both groups."""
    items = len(first)
    truth = rng.normal(50, 10, items)
    own = rng.normal(0, 1.5, items)
    rows = [
        (f"item {i}", group, value)
        for group, numbers, shift, error in (
            ("a", first, 2 + own, 1.0),
            ("b", second, 0 * own, 2.0),
        )
        for i, m in enumerate(numbers)
        for value in (truth[i] + shift[i] + rng.normal(0, error, m)).tolist()
    ]
    item, group, values = zip(*rows, strict=True)
    found = agreement(Measurements(items=item, groups=group, values=values))
    s = float(np.sqrt(1.5**2 + 1**2 + 2**2))
    return {
        "bias": found.bias.interval.holds(2),
        "sd": found.spread.interval.holds(s),
        "lower limit": found.lower.interval.holds(2 - WIDTH * s),
        "upper limit": found.upper.interval.holds(2 + WIDTH * s),
        "slope": found.trend.slope.interval.holds(slope_of(first, second)),
    }


def slope_of(first, second):
    """The slope of difference on mean that unequal spreads alone make, items of m values each."""
    m_first, m_second = (
        len(first) / sum(1 / m for m in first),
        len(second) / sum(1 / m for m in second),
    )
    one, other = 10**2 + 1.5**2 + 1 / m_first, 10**2 + 4 / m_second
    together = 10**2
    return (one - other) / ((one + other + 2 * together) / 4) / 2


def of_individuals(rng, n):
    """Which intervals of mean and spread of a chart held."""
    found = chart(rng.normal(20, 2, n).tolist())
    return {"mean": found.mean_interval.holds(20), "sigma": found.sigma_interval.holds(2)}


def of_gauge(rng, shape, *, item, group, both):
    """Which intervals of a gauge study held."""
    p, q, n = shape
    table = table_of(np.full((p, q), n), item=item, group=group, both=both, error=1, rng=rng)
    found = gauge(table)
    together = float(np.hypot(group, both))
    grr = float(np.hypot(together, 1))
    truth = {
        "ev": 1.0, "av": group, "interaction": both, "reproducibility": together,
        "grr": grr, "pv": item, "tv": float(np.hypot(grr, item)),
    }  # fmt: skip
    held = {zero(k, s): found.parts[k].interval.holds(s) for k, s in truth.items()}
    ratio = found.ratio_interval
    return held | {
        "grr/tv": found.grr_share.holds(grr / truth["tv"]),
        "ndc": TO_CATEGORIES * ratio.low
        <= TO_CATEGORIES * item / grr
        <= TO_CATEGORIES * ratio.high,
    }


def of_phases(rng, earlier, later):
    """Whether the interval of a step held, and whether a step at the limit was called the same."""
    (n, s), (m, t) = earlier, later
    found = welch_difference(rng.normal(1.5, t, m).tolist(), rng.normal(0, s, n).tolist())
    return {
        "difference": found.interval.holds(1.5),
        "same_by_mistake": judged(found, 1.5).answer == "within",
    }


def zero(name, spread):
    """The name of an interval, marked where the truth is a spread of zero."""
    return name if spread > 0 else f"{name} at zero"


CASES = {
    "repeats: 3 of one team": lambda r: of_repeatability(r, [[3]], between=0),
    "repeats: 5 of one team": lambda r: of_repeatability(r, [[5]], between=0),
    "8 groups × 3": lambda r: of_repeatability(r, [[3] * 8], between=1),
    "8 groups × 3, alike": lambda r: of_repeatability(r, [[3] * 8], between=0),
    "8 groups × 3, nearly alike": lambda r: of_repeatability(r, [[3] * 8], between=0.3),
    "3 groups × 5, far apart": lambda r: of_repeatability(r, [[5] * 3], between=3),
    "6 groups of 2 to 6": lambda r: of_repeatability(r, [[2, 3, 6, 2, 4, 3]], between=1),
    "5 items × 4 groups × 2": lambda r: of_repeatability(r, [[2] * 4] * 5, between=1, both=0.5),
    "4 items × 3 groups of 1 to 4": lambda r: of_repeatability(
        r, [[2, 1, 4], [3, 2, 2], [2, 2, 3], [1, 3, 2]], between=1, both=0.5
    ),
    "agreement: 5 pairs": lambda r: of_agreement(r, [1] * 5, [1] * 5),
    "agreement: 17 pairs": lambda r: of_agreement(r, [1] * 17, [1] * 17),
    "agreement: 6 pairs of 2 and 2": lambda r: of_agreement(r, [2] * 6, [2] * 6),
    "agreement: 12 pairs of 2 and 3": lambda r: of_agreement(r, [2] * 12, [3] * 12),
    "agreement: 12 pairs of 1 to 4": lambda r: of_agreement(r, [1, 2, 4] * 4, [3, 2, 2] * 4),
    "chart: 10 values": lambda r: of_individuals(r, 10),
    "chart: 30 values": lambda r: of_individuals(r, 30),
    "gauge: 10 × 3 × 3, no interaction": lambda r: of_gauge(r, (10, 3, 3), item=5, group=1, both=0),
    "gauge: 10 × 3 × 3": lambda r: of_gauge(r, (10, 3, 3), item=5, group=1, both=0.6),
    "gauge: 10 × 3 × 3, slight interaction": lambda r: of_gauge(
        r, (10, 3, 3), item=3, group=0.3, both=0.3
    ),
    "gauge: 10 × 3 × 3, groups alike": lambda r: of_gauge(r, (10, 3, 3), item=5, group=0, both=0),
    "gauge: 5 × 2 × 2": lambda r: of_gauge(r, (5, 2, 2), item=4, group=1, both=0.5),
    "gauge: 3 × 6 × 3": lambda r: of_gauge(r, (3, 6, 3), item=1, group=1, both=0.5),
    "phases: 3 and 3": lambda r: of_phases(r, (3, 1), (3, 1)),
    "phases: 5 and 5": lambda r: of_phases(r, (5, 1), (5, 1)),
    "phases: 8 and 20, spread 3 to 1": lambda r: of_phases(r, (8, 3), (20, 1)),
    "phases: 25 and 10": lambda r: of_phases(r, (25, 1), (10, 1)),
}
"""What is drawn, by a name that tells it."""


def broken(case, shares):
    """The promises of a case that were not kept."""
    failed = []
    for name, share in shares.items():
        if name.startswith("exceeded"):
            continue
        if name == "same_by_mistake":
            kept = share <= 1 - LEAST
        else:
            above = name.endswith("at zero") or name in ABOVE or (case, name) in ABOVE
            kept = LEAST <= share <= (1 if above else MOST)
        if not kept:
            failed.append(f"{case}: {name}")
    return failed


def shares_of(case, trials):
    """How often each interval of a case held."""
    rng = np.random.default_rng([*CASES].index(case))
    held = defaultdict(int)
    for _ in range(trials):
        for name, is_held in CASES[case](rng).items():
            held[name] += bool(is_held)
    return {name: round(count / trials, 4) for name, count in held.items()}


def main():
    """Runs the campaign."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=10_000)
    parser.add_argument("--only", default="", help="cases whose name has this in it")
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args()
    cases = [case for case in CASES if args.only in case]
    shares = {}
    with ProcessPoolExecutor(args.workers) as pool:
        for case, told in zip(
            cases, pool.map(shares_of, cases, [args.trials] * len(cases)), strict=True
        ):
            shares[case] = told
            print(case, told, file=sys.stderr, flush=True)
    failed = [promise for case, told in shares.items() for promise in broken(case, told)]
    print(json.dumps({"trials": args.trials, "held": shares, "failed": failed}))
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
