"""The list of runs where there is room: a grid to sort, with the keyboard too."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import dash_ag_grid as dag
from dash.development.base_component import Component

from dashboard.pages.runs_rows import Row

GRID = "runs-grid"
_ROW_PX = 64
_HEAD_PX = 48
_MOST_ROWS_SHOWN = 16


def _column(field: str, heading: str, renderer: str | None, **given: Any) -> dict[str, Any]:
    shown = {} if renderer is None else {"cellRenderer": renderer}
    return {"field": field, "headerName": heading} | shown | given


_COLUMNS = (
    _column("truck", "Truck, run and test", "RunName", flex=3, minWidth=164),
    _column("start", "Start (UTC)", "RunStart", width=153, cellClass="figures"),
    _column("right_rank", "Right side", "RunRight", flex=2, minWidth=238),
    _column("left_rank", "Left side", "RunLeft", flex=2, minWidth=238),
    _column("verdict_rank", "Verdict", "RunVerdict", flex=1, minWidth=128),
    _column("findings_rank", "Findings", "RunFindings", width=129),
    _column("id", "Download", "RunKeep", width=136, sortable=False),
)


def grid(rows: Sequence[Row]) -> Component:
    """The grid.

    Args:
        rows: a line each.
    """
    made: Component = dag.AgGrid(
        id=GRID,
        rowData=list(rows),
        columnDefs=list(_COLUMNS),
        defaultColDef={
            "sortable": True,
            "resizable": True,
            "suppressMovable": True,
            "sortingOrder": ["desc", "asc", None],
        },
        getRowId="params.data.id",
        dashGridOptions={
            "rowHeight": _ROW_PX,
            "headerHeight": _HEAD_PX,
            "suppressColumnVirtualisation": True,
            "animateRows": False,
            "accentedSort": True,
            "ensureDomOrder": True,
            "rowSelection": {"mode": "multiRow", "headerCheckbox": False},
            "selectionColumnDef": {"width": 44, "headerTooltip": "Mark runs to compare them"},
        },
        style=grid_style(rows),
    )
    return made


def grid_style(rows: Sequence[Row]) -> dict[str, str]:
    """The grid is as high as its lines, up to what a screen shows."""
    height_px = _HEAD_PX + _ROW_PX * min(max(len(rows), 1), _MOST_ROWS_SHOWN) + 2
    return {"height": f"min({height_px}px, max(26rem, 100vh - 17rem))", "width": "100%"}
