"""Overviews of runs, kept between two starts of the dashboard.

To see a run of an hour at first sight all its readings have to be gone through, which takes a
second or more; what comes of it is small. It is kept in this user's folder for such things, under
a name that follows from the file's hash, size, time and corrections, so a file that is not the
same any longer is looked through again. What is kept is never needed: where it is missing,
damaged or can't be written, the readings are. Damage shows by the hash that the file ends with.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import platformdirs
from numpy.typing import NDArray

from dashboard.figures.overview import Line, Overview, Place
from dashboard.figures.readings import Name, Wheel
from logger.readings.spans import Spans
from logger.recording.run import Run

VERSION = 3
MOST_KEPT = 200
LARGEST_BYTES = 64 * 1024 * 1024
LEFT_OVER_S = 3600.0
"""Age from which on a file that is still being written is one whose program has ended."""
_HASH_BYTES = 32
_NAMES: tuple[Name, ...] = ("slew", "load", "radius")
_Arrays = dict[str, NDArray[Any]]


def kept_overview(run: Run, stamp: tuple[object, ...]) -> Overview | None:
    """The overview that was kept of a run; None where there is none that can be used.

    Args:
        run: the run.
        stamp: what changes when its file or a correction beside it does.
    """
    path = _place(run, stamp)
    try:
        if path.stat().st_size > LARGEST_BYTES:
            return None
        kept = path.read_bytes()
    except OSError:
        return None
    arrays, told = kept[:-_HASH_BYTES], kept[-_HASH_BYTES:]
    if _hash(arrays) != told:
        return None
    with np.load(io.BytesIO(arrays), allow_pickle=False) as held:
        return _from_arrays({name: held[name] for name in held.files})


def keep_overview(run: Run, stamp: tuple[object, ...], overview: Overview) -> None:
    """Keeps the overview of a run, as far as the disk allows."""
    path = _place(run, stamp)
    held = io.BytesIO()
    np.savez(held, **_as_arrays(overview))  # type: ignore[arg-type]  # its stub takes flags only
    beside = path.with_name(f"{path.name}.{os.getpid()}")
    with contextlib.suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            beside.write_bytes(held.getvalue() + _hash(held.getvalue()))
            beside.replace(path)
        finally:
            beside.unlink(missing_ok=True)
        _forget_the_oldest(path.parent)
        _forget_what_was_left(path.parent)


def _place(run: Run, stamp: tuple[object, ...]) -> Path:
    told = "\n".join(map(str, (VERSION, run.header.sha256, run.span_ns, *stamp)))
    name = hashlib.sha256(told.encode()).hexdigest()[:40]
    return platformdirs.user_cache_path("slewtrace", appauthor=False) / "overviews" / f"{name}.npz"


def _forget_the_oldest(folder: Path) -> None:
    held = sorted(folder.glob("*.npz"), key=lambda p: p.stat().st_mtime, reverse=True)
    for path in held[MOST_KEPT:]:
        path.unlink(missing_ok=True)


def _forget_what_was_left(folder: Path) -> None:
    """Removes what a program that was ended while it wrote left behind."""
    for path in folder.glob("*.npz.*"):
        if path.stat().st_mtime < time.time() - LEFT_OVER_S:
            path.unlink(missing_ok=True)


def _hash(arrays: bytes) -> bytes:
    return hashlib.blake2b(arrays, digest_size=_HASH_BYTES).digest()


def _as_arrays(overview: Overview) -> _Arrays:
    arrays: _Arrays = {
        "span_ns": np.array(overview.span_ns, np.int64),
        "step_ns": np.array(overview.step_ns, np.int64),
        "test_load_kg": np.array(overview.test_load_kg),
        "hanging": _pairs(overview.hanging),
        "grounded": _pairs(overview.grounded),
        "lift_offs": _places(overview.lift_offs),
        "set_downs": _places(overview.set_downs),
        "wheels": np.array([w.name for w in overview.wheels], np.str_),
    }
    for name, line in overview.lines.items():
        arrays |= {
            f"{name}.t_s": line.t_s,
            f"{name}.value": line.value,
            f"{name}.sensed": np.array(line.sensed),
            f"{name}.grid": overview.grid[name],
        }
    for index, wheel in enumerate(overview.wheels):
        arrays |= {f"open.{index}": wheel.open_ns, f"unknown.{index}": _pairs(wheel.unknown)}
    return arrays


def _from_arrays(held: _Arrays) -> Overview:
    names = [name for name in _NAMES if f"{name}.t_s" in held]
    start_ns, end_ns = held["span_ns"].tolist()
    return Overview(
        span_ns=(start_ns, end_ns),
        lines={
            name: Line(
                t_s=held[f"{name}.t_s"],
                value=held[f"{name}.value"],
                sensed=bool(held[f"{name}.sensed"]),
            )
            for name in names
        },
        step_ns=int(held["step_ns"]),
        grid={name: held[f"{name}.grid"] for name in names},
        wheels=tuple(_wheels(held)),
        hanging=_spans(held["hanging"]),
        grounded=_spans(held["grounded"]),
        lift_offs=_placed(held["lift_offs"]),
        set_downs=_placed(held["set_downs"]),
        test_load_kg=float(held["test_load_kg"]),
    )


def _wheels(held: _Arrays) -> Iterator[Wheel]:
    for index, name in enumerate(held["wheels"].tolist()):
        yield Wheel(
            name=name, open_ns=held[f"open.{index}"], unknown=_spans(held[f"unknown.{index}"])
        )


def _pairs(spans: Spans) -> NDArray[np.int64]:
    return np.array(spans.pairs, np.int64).reshape(-1, 2)


def _spans(pairs: NDArray[np.int64]) -> Spans:
    return Spans(tuple((a, b) for a, b in pairs.tolist()))


def _places(places: tuple[Place, ...]) -> NDArray[np.float64]:
    """Times in whole ns are exact in float64 up to 104 days."""
    rows = [[p.t_ns, _number(p.slew_deg), _number(p.radius_m)] for p in places]
    return np.array(rows, np.float64).reshape(-1, 3)


def _placed(rows: NDArray[np.float64]) -> tuple[Place, ...]:
    return tuple(
        Place(t_ns=int(t), slew_deg=_known(slew), radius_m=_known(radius))
        for t, slew, radius in rows.tolist()
    )


def _number(value: float | None) -> float:
    return float("nan") if value is None else value


def _known(value: float) -> float | None:
    return value if np.isfinite(value) else None
