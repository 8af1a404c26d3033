"""A run exported from the browser: ``GET /export?run=…&format=xlsx``, as a file to keep.

The file is written to a folder of its own first, so that a mistake is told instead of half a
file, and the folder goes when the file is sent or the browser has gone. CSV comes as a ZIP
archive, since it is two files.
"""

from __future__ import annotations

import asyncio
import re
import tempfile
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fastapi import FastAPI, Request
from starlette.responses import FileResponse, PlainTextResponse, Response

from dashboard.export_request import Asked, read_asked
from dashboard.exporting import export_run
from dashboard.run_library import RunLibrary
from logger.errors import BadInput, SlewtraceError
from logger.recording.run import Run

if TYPE_CHECKING:
    from starlette.types import Receive, Scope, Send

PATH = "/export"
_AT_A_TIME = 2
_TYPES = {
    "csv": "application/zip",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "mat": "application/x-matlab-data",
    "parquet": "application/vnd.apache.parquet",
}
_LONGEST_STEM = 80


def add_export(server: FastAPI, library: RunLibrary) -> None:
    """Adds the download to a server.

    Args:
        server: the server.
        library: the runs that it may give.
    """
    free = asyncio.Semaphore(_AT_A_TIME)

    @server.get(PATH)
    async def export(request: Request) -> Response:
        words = dict(request.query_params)
        run = await asyncio.to_thread(library.find, words.get("run", ""))
        if run is None:
            return PlainTextResponse("There is no such run in this folder.\n", status_code=404)
        try:
            asked = read_asked({k: v for k, v in words.items() if v})
            async with free:
                result = await _result(library, run)
                return await asyncio.to_thread(_written, run, result, asked)
        except SlewtraceError as exc:
            status = 400 if isinstance(exc, BadInput) else 500
            return PlainTextResponse(f"{exc}\n", status_code=status)


async def _result(library: RunLibrary, run: Run) -> Mapping[str, Any] | None:
    """The run's result; None where it can't be computed, since the readings are there still."""
    try:
        return await asyncio.wrap_future(library.result(run))
    except SlewtraceError:
        return None


def _written(run: Run, result: Mapping[str, Any] | None, asked: Asked) -> Response:
    folder = tempfile.TemporaryDirectory(prefix="slewtrace-export-")
    try:
        stem = _plain_stem(run.header.run_id)
        path = Path(folder.name) / f"{stem}.{asked.form}"
        paths = export_run(run, result, path, asked).paths
        sent = _packed(path.with_suffix(".zip"), paths) if asked.form == "csv" else path
    except BaseException:
        folder.cleanup()
        raise
    return _Download(sent, folder, media_type=_TYPES[asked.form])


def _packed(archive: Path, paths: tuple[Path, ...]) -> Path:
    with zipfile.ZipFile(archive, "x", zipfile.ZIP_DEFLATED, compresslevel=3) as packed:
        for path in paths:
            packed.write(path, path.name)
            path.unlink()
    return archive


def _plain_stem(run_id: str) -> str:
    """A run's id as a file's name that every system takes."""
    return re.sub(r"[^A-Za-z0-9._-]+", "_", run_id).strip("._-")[:_LONGEST_STEM] or "run"


class _Download(FileResponse):
    """A file that is sent once, and its folder, which goes then."""

    def __init__(
        self, path: Path, folder: tempfile.TemporaryDirectory[str], *, media_type: str
    ) -> None:
        super().__init__(path, filename=path.name, media_type=media_type)
        self._folder = folder

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        try:
            await super().__call__(scope, receive, send)
        finally:
            await asyncio.to_thread(self._folder.cleanup)
