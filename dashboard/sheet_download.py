"""The sheet of a run as a download: ``GET /sheet?run=ID&units=si|us&paper=a4|letter&part=both``.

A run is looked up by its id among those of the folder, as everywhere in the dashboard. What its
file leaves open is taken from the file beside it, as the command does.
"""

from __future__ import annotations

import asyncio
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import get_args

from fastapi import FastAPI
from starlette.responses import PlainTextResponse, Response

from dashboard.figures.units import UnitsName
from dashboard.run_library import RunLibrary
from dashboard.sheet.typesetting import Paper, Part
from dashboard.shelf.analyses import Result, awaited
from logger.errors import SlewtraceError
from logger.recording.run import Run

PATH = "/sheet"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """How the sheet is wanted."""

    units: UnitsName
    paper: Paper
    part: Part


def add_sheet_download(server: FastAPI, library: RunLibrary) -> None:
    """Adds the address to a server.

    Args:
        server: the dashboard's server, before its middleware is made.
        library: the runs.
    """

    @server.get(PATH)
    async def sheet(
        run: str = "", units: str = "si", paper: str = "a4", part: str = "both"
    ) -> Response:
        asked = _asked(units=units, paper=paper, part=part)
        if isinstance(asked, str):
            return PlainTextResponse(f"{asked}\n", status_code=400)
        return await _sheet(library, run, asked)


def _asked(**words: str) -> _Asked | str:
    """What is asked for, or what would do in its place."""
    for name, kind in (("units", UnitsName), ("paper", Paper), ("part", Part)):
        known = get_args(kind)
        if words[name] not in known:
            return f"{name}: {words[name][:40]!r} won't do; {', '.join(known)} will"
    return _Asked(**words)  # type: ignore[arg-type]  # just held to the three kinds


async def _sheet(library: RunLibrary, run_id: str, asked: _Asked) -> Response:
    run = await asyncio.to_thread(library.find, run_id)
    if run is None:
        return PlainTextResponse("There is no such run in this folder.\n", status_code=404)
    try:
        result = await awaited(library.result(run))
        pdf = await asyncio.to_thread(_made, run, result, asked)
    except SlewtraceError as exc:
        return PlainTextResponse(f"{exc}\n", status_code=409)
    name = f"{_file_name(run_id)}-{asked.part if asked.part != 'both' else 'sheet'}.pdf"
    disposition = f'attachment; filename="{name}"'
    headers = {"Content-Disposition": disposition, "Cache-Control": "no-store"}
    return Response(pdf, media_type="application/pdf", headers=headers)


def _made(run: Run, result: Result, asked: _Asked) -> bytes:
    # The compiler and its fonts come in with these.
    from dashboard.sheet.gathered import gather_dossier, read_later  # noqa: PLC0415
    from dashboard.sheet.sheet import make_sheet  # noqa: PLC0415

    dossier = gather_dossier(
        run,
        units=asked.units,
        issued=datetime.now(UTC).date().isoformat(),
        later=read_later(run.path),
        result=result,
    )
    return make_sheet(dossier, paper=asked.paper, part=asked.part)


def _file_name(run_id: str) -> str:
    """A run's id as a header may carry it."""
    return re.sub(r"[^A-Za-z0-9_.-]", "_", run_id)[:100]
