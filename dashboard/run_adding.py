"""A sealed run brought from elsewhere: ``POST /add-run?name=…`` with the file as the body.

It is checked as ``slewtrace verify`` checks, bit for bit, and then kept in the folder under its
own name or the next one that is free. Nothing is ever overwritten, and what fails the check is
not kept. A copy is made, rather than the file shown where it lies, because a browser never says
where that is, and since a link to a run must work tomorrow too.
"""

from __future__ import annotations

import asyncio
import re
import secrets
from pathlib import Path
from urllib.parse import urlencode

from fastapi import FastAPI, Request
from starlette.responses import JSONResponse, Response

from dashboard.run_library import RunLibrary
from logger.errors import BadInput, RunUnreadable
from logger.recording.new_file import give_name
from logger.recording.run import Run, open_run

PATH = "/add-run"
LARGEST_BYTES = 4 << 30
"""36 million readings are 130 MB; more than this is no run that was meant."""
_ENDING = ".parquet"
_LONGEST_STEM = 100
_MOST_OF_A_NAME = 1000


def add_run_adding(server: FastAPI, library: RunLibrary) -> None:
    """Adds the address to a server.

    Args:
        server: the dashboard's server.
        library: where runs are kept.
    """
    one_at_a_time = asyncio.Lock()

    @server.post(PATH)
    async def add(request: Request) -> Response:
        name = _plain(request.query_params.get("name", ""))
        partial = library.folder / f".{secrets.token_hex(8)}.partial"
        try:
            await _receive(request, partial, name)
            async with one_at_a_time:
                path, run = await asyncio.to_thread(_keep, library, partial, name)
        except BadInput as exc:
            return JSONResponse({"text": str(exc)}, status_code=400)
        except OSError as exc:
            text = f"{name}: the folder takes no file ({exc.strerror or exc})"
            return JSONResponse({"text": text}, status_code=507)
        finally:
            await asyncio.to_thread(partial.unlink, missing_ok=True)
        text = f"{path.name}: as sealed, {run.sample_count} samples; kept"
        href = f"/sectors?{urlencode({'run': run.header.run_id})}"
        return JSONResponse({"text": text, "href": href, "truck": run.header.test.truck.id})


async def _receive(request: Request, partial: Path, name: str) -> None:
    """Writes what comes to a file.

    Raises:
        BadInput: where it is more than any run.
        OSError: where the disk refuses.
    """
    received = 0
    with await asyncio.to_thread(partial.open, "xb") as file:
        async for chunk in request.stream():
            received += len(chunk)
            if received > LARGEST_BYTES:
                raise BadInput(
                    where=name,
                    what=f"is larger than {LARGEST_BYTES >> 30} GiB",
                    would_do="copy it into the folder yourself, if it is a run",
                )
            await asyncio.to_thread(file.write, chunk)


def _keep(library: RunLibrary, partial: Path, name: str) -> tuple[Path, Run]:
    """Checks a received file and gives it a name in the folder.

    Raises:
        BadInput: where it is no whole run, or the folder has that run.
        OSError: where the disk refuses.
    """
    try:
        run = open_run(partial, corrected=False)
        run.verify()
    except RunUnreadable as exc:
        would_do = exc.would_do.replace(str(partial), name)
        raise RunUnreadable(where=name, what=exc.what, would_do=would_do) from exc
    known = library.find(run.header.run_id)
    if known is not None:
        raise BadInput(
            where=name,
            what=f"holds run {run.header.run_id}, which is here already as {known.path.name}",
            would_do="open that one" if _same(known, run) else "keep the two apart: they differ",
        )
    path = _free_path(library.folder, name, run.header.run_id)
    give_name(partial, path)
    return path, run


def _same(known: Run, run: Run) -> bool:
    return known.header.sha256 == run.header.sha256


def _free_path(folder: Path, name: str, run_id: str) -> Path:
    stem = name.removesuffix(_ENDING) if name.endswith(_ENDING) else _plain(run_id)
    number, path = 2, folder / f"{stem}{_ENDING}"
    while path.exists() or path.is_symlink():
        number, path = number + 1, folder / f"{stem}-{number}{_ENDING}"
    return path


def _plain(name: str) -> str:
    """A file's name without folders or signs that mean something to a system."""
    last = re.split(r"[/\\]", name[:_MOST_OF_A_NAME])[-1]
    ending = _ENDING if last.lower().endswith(_ENDING) else ""
    stem = re.sub(r"[^\w.-]+", "_", last[: len(last) - len(ending)]).strip(". ")
    return (stem[:_LONGEST_STEM] or "run") + ending
