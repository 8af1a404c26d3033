"""What of a catalogue a choice asks for, as columns and counts for words and figures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from dashboard.catalogue.queries import Catalogue
from dashboard.figures.fleet_histogram import Spread
from dashboard.figures.fleet_sectors import Around, SectorTable, around
from dashboard.kept_catalogue import KeptCatalogue
from dashboard.pages.fleet_choice import FleetChoice
from dashboard.pages.fleet_trend import FleetTrend, trend_of

SIDES = ("right", "left")
_COLUMNS = (
    "run_id",
    "truck",
    "test",
    "build",
    "kit",
    "started_utc",
    "verdict",
    *(
        f"{side}_{name}"
        for side in SIDES
        for name in (
            "reached_deg",
            "lift_deg",
            "lift_t_s",
            "full_to_deg",
            "least_percent",
            "proved_moment_nm",
        )
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetView:
    """What a choice comes to.

    Attributes:
        choice: what was asked, at the table's first page.
        runs: rows of the runs, the oldest first; those without a known start last.
        lifts: first-lift angles of each side.
        percentages: least percentages of each side.
        around: what the runs allow at each slew angle; None without any run.
        trend: the charted quantity over time; None where no run has it.
    """

    choice: FleetChoice
    runs: pa.Table
    lifts: tuple[Spread, ...]
    percentages: tuple[Spread, ...]
    around: Around | None
    trend: FleetTrend | None

    def values(self) -> NDArray[np.float64]:
        """The charted quantity of each run, shape (runs,); NaN where a run has none."""
        return column_values(self.runs, self.choice.column)


def fleet_view(kept: KeptCatalogue, catalogue: Catalogue, choice: FleetChoice) -> FleetView:
    """What a choice comes to; kept for a while, since a page asks for words and for figures.

    Args:
        kept: keeps it.
        catalogue: the one that is asked.
        choice: which runs, and what is charted.
    """
    key = replace(choice, rows="all", page=1)
    return kept.once(catalogue, key, lambda: read_view(catalogue, key))


def read_view(catalogue: Catalogue, choice: FleetChoice) -> FleetView:
    """Reads what a choice comes to from a catalogue."""
    filters = choice.filters
    runs = catalogue.runs(filters, columns=_COLUMNS)
    sectors = catalogue.sector_counts(filters)
    return FleetView(
        choice=choice,
        runs=runs,
        lifts=tuple(_spread(runs, s, "lift_deg", "no lift") for s in SIDES),
        percentages=tuple(_spread(runs, s, "least_percent", "nothing tested") for s in SIDES),
        around=_around(sectors, runs.num_rows) if runs.num_rows else None,
        trend=trend_of(
            column_values(runs, choice.column),
            runs["build"].to_numpy(),
            choice.practical_limit,
        ),
    )


def column_values(table: pa.Table, column: str) -> NDArray[np.float64]:
    """A column of numbers; NaN where it has none."""
    values: NDArray[np.float64] = table[column].to_numpy().astype(np.float64)
    return values


def rows_of(view: FleetView, numbers: Sequence[int]) -> list[dict[str, Any]]:
    """Rows of runs, by their numbers from 0."""
    rows: list[dict[str, Any]] = view.runs.take(pa.array(numbers, pa.int64())).to_pylist()
    return rows


def _spread(runs: pa.Table, side: str, name: str, missing: str) -> Spread:
    """Values of a side, and how many runs have none: for lack of a lift, or of a sweep."""
    values = column_values(runs, f"{side}_{name}")
    swept = np.isfinite(column_values(runs, f"{side}_reached_deg"))
    finite = np.isfinite(values)
    beside = (
        (missing, int(np.count_nonzero(swept & ~finite))),
        ("not swept", int(np.count_nonzero(~swept & ~finite))),
    )
    return Spread(
        side=side,
        values=np.sort(values[finite]),
        beside=tuple((why, n) for why, n in beside if n),
    )


def _around(sectors: pa.Table, runs: int) -> Around:
    sides = {side: sectors.filter(pc.equal(sectors["side"], side)) for side in SIDES}
    return around(_sector_table(sides["right"]), _sector_table(sides["left"]), runs=runs)


def _sector_table(sectors: pa.Table) -> SectorTable:
    return SectorTable(
        **{name: column_values(sectors, name) for name in ("from_deg", "to_deg", "percent", "runs")}
    )
