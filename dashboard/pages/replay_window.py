"""The readings of a stretch that was zoomed into, and those of another run laid over it.

Asked for by the page's own script and not through a callback: a zoom must be painted within a
fifth of a second, and a callback has the whole figure drawn twice.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from starlette.responses import JSONResponse

from dashboard.figures.alignment import WORDS_OF_WAY, alignment_words, event_s
from dashboard.figures.envelope import POINTS, encode
from dashboard.figures.overview import Overview
from dashboard.figures.trace_windows import NOTHING, Drawn, whole_of, window_of
from dashboard.figures.traces import moving_count
from dashboard.figures.units import Units, units_of
from dashboard.pages.page import number_of
from dashboard.pages.replay_drawing import done
from dashboard.run_library import RunLibrary
from logger.errors import RunUnreadable
from logger.recording.run import Run

if TYPE_CHECKING:
    from fastapi import FastAPI
    from starlette.datastructures import QueryParams
    from starlette.requests import Request

FEWEST_POINTS = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """What is asked for.

    Attributes:
        start_s: left edge, s.
        end_s: right edge, s.
        units: what values are drawn in.
        points: the most points of a trace: two for each column of the screen.
        way: by what another run is aligned.
    """

    start_s: float
    end_s: float
    units: Units
    points: int
    way: str


def add_replay_window(server: FastAPI, library: RunLibrary) -> None:
    """Adds the address ``/replay/window`` to a server."""

    async def window(request: Request) -> JSONResponse:
        asked = request.query_params
        run, other = await asyncio.to_thread(_runs, library, asked)
        start_s, end_s = number_of(asked.get("from")), number_of(asked.get("to"))
        if run is None or start_s is None or end_s is None or start_s >= end_s:
            return JSONResponse({"error": "no such run or stretch"}, status_code=404)
        way = asked.get("by", "start")
        view = View(
            start_s=start_s,
            end_s=end_s,
            units=units_of(asked.get("units")),
            points=_points(number_of(asked.get("width"))),
            way=way if way in WORDS_OF_WAY else "start",
        )
        try:
            return JSONResponse(await _window(library, run, other, view))
        except RunUnreadable as exc:
            return JSONResponse({"error": str(exc)}, status_code=409)

    server.add_route("/replay/window", window, methods=["GET"])


def _runs(library: RunLibrary, asked: QueryParams) -> tuple[Run | None, Run | None]:
    """The run, and the one that is laid over it."""
    return library.find(asked.get("run", "")), library.find(asked.get("with", ""))


def _points(width_px: float | None) -> int:
    """Two points for each column, even, within the budget."""
    return POINTS if width_px is None else int(min(max(2 * round(width_px), FEWEST_POINTS), POINTS))


async def _window(library: RunLibrary, run: Run, other: Run | None, view: View) -> dict[str, Any]:
    overview = await asyncio.to_thread(library.overview, run)
    own = await asyncio.to_thread(_own, library, run, overview, view)
    laid, words = await _laid_over(library, run, other, overview, view)
    return {"own": _encoded(own), "other": _encoded(laid), "words": words}


def _encoded(drawn: Sequence[Drawn]) -> list[dict[str, Any]]:
    return [{"x": encode(x), "y": encode(y)} for x, y in drawn]


def _own(library: RunLibrary, run: Run, overview: Overview, view: View) -> list[Drawn]:
    if view.start_s <= overview.span_s[0] and view.end_s >= overview.span_s[1]:
        return whole_of(overview, view.units)
    readings = library.readings(run)
    return window_of(readings, view.start_s, view.end_s, view.units, points=view.points)


async def _laid_over(
    library: RunLibrary, run: Run, other: Run | None, overview: Overview, view: View
) -> tuple[list[Drawn], str]:
    nothing = [NOTHING] * moving_count(overview)
    if other is None:
        return nothing, ""
    here_s, there_s = [await _event_s(library, r, view.way) for r in (run, other)]
    if here_s is None or there_s is None:
        which = "This run" if here_s is None else "The other run"
        return nothing, f"✖ {which} has no such event to align by: choose another."
    drawn = await asyncio.to_thread(_shifted, library, other, overview, view, here_s - there_s)
    words = alignment_words(view.way, here_s, there_s)
    return drawn, f"{words} It is drawn dashed, its contacts as thin bars."


def _shifted(
    library: RunLibrary, other: Run, overview: Overview, view: View, shift_s: float
) -> list[Drawn]:
    readings = library.readings(other)
    names = tuple(overview.lines)
    drawn = window_of(
        readings,
        view.start_s,
        view.end_s,
        view.units,
        names=names,
        shift_s=shift_s,
        points=view.points,
    )
    contacts = len(drawn) - len(names) if overview.wheels else 0
    return drawn[: len(names) + contacts]


async def _event_s(library: RunLibrary, run: Run, way: str) -> float | None:
    start_s = run.span_ns[0] / 1e9
    if way == "start":
        return start_s
    result, _ = await done(library.result(run))
    return event_s(result, way, start_s=start_s)
