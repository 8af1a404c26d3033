"""Repeat tests of one truck compared: runs read, computed and put side by side.

Every result is computed from the readings by this version of the method, so results of other
versions never stand beside one another.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from dashboard.exclusions import standing_exclusion
from dashboard.figures.readings import Readings, Wheel
from dashboard.repeats.run_comparison import Asked, compare_runs
from dashboard.repeats.run_comparison_return import Closing, closing_document
from dashboard.repeats.run_comparison_sameness import ComparedRun, SetAside, departures
from dashboard.results import analyse
from dashboard.run_readings import read_readings
from logger.errors import BadInput
from logger.readings.rig_file import WHEEL
from logger.recording.run import Run, open_run

Result = dict[str, Any]

ONE_OPENING_NS = 500_000_000
"""Openings of a contact that are closer together than this are one lift: a tyre chatters, ns."""
_RATE_OVER_NS = 1_000_000_000
_TURNED_BACK_DEG = 0.5
"""A boom that came back less than this has not turned back."""
_SAME_RADIUS_M = 0.02
LEAST_RUNS = 2


def compare_files(paths: Sequence[Path], asked: Asked) -> Result:
    """Compares sealed runs.

    Args:
        paths: their files.
        asked: against which run, and what else is asked.

    Raises:
        BadInput: where there are fewer than two, one twice, or they are no repeats of one test.
        RunUnreadable: where one can't be read.
    """
    runs = [open_run(path) for path in paths]
    check_apart(runs)
    compared = [compared_run(run, analyse(run), read_readings(run)) for run in runs]
    return compare(compared, asked)


def compare(runs: Sequence[ComparedRun], asked: Asked) -> Result:
    """The comparison of runs whose results are known.

    Raises:
        BadInput: where they are no repeats of one test and it isn't asked for all the same, or
            none of them is the reference.
    """
    other = next((d for d in departures(runs) if d.other_test), None)
    if other is not None and not asked.anyway:
        raise BadInput(
            where="compare",
            what=other.text,
            would_do="name repeats of one test, or compare all the same with --anyway",
        )
    try:
        return compare_runs(runs, asked)
    except ValueError as exc:
        raise BadInput(where="--against", what=str(exc), would_do="name one of them") from exc


def check_apart(runs: Sequence[Run]) -> None:
    """Refuses a comparison of fewer than two runs, or of a run with itself.

    Raises:
        BadInput: saying which.
    """
    if len(runs) < LEAST_RUNS:
        raise BadInput(
            where="compare",
            what=f"{len(runs) or 'no'} run is nothing to compare",
            would_do="name two or more sealed runs",
        )
    seen: dict[str, Run] = {}
    for run in runs:
        first = seen.setdefault(run.header.run_id, run)
        if first is not run:
            raise BadInput(
                where=str(run.path),
                what=f"holds run {run.header.run_id}, as {first.path} does",
                would_do="name each run once",
            )


def compared_run(run: Run, result: Result, readings: Readings) -> ComparedRun:
    """A run as it is compared.

    Args:
        run: the run.
        result: its result.
        readings: its readings, for lifts that closed again under load.

    Raises:
        RunUnreadable: where the samples are damaged.
    """
    model = run.header.test.model
    return ComparedRun(
        result=result,
        build=run.header.test.truck.build,
        kit=run.header.rig.rig.id,
        started_utc=run.header.started_utc,
        truck_model="" if model is None else model.model_dump_json(),
        set_aside=set_aside_of(run),
        closings=tuple(closings_of(run, result, readings)),
    )


def set_aside_of(run: Run) -> SetAside | None:
    """Why a run is left out of the statistics now; None where it isn't."""
    aside = standing_exclusion(run.path)
    if aside is None:
        return None
    return SetAside(reason=aside.reason, by=aside.by, written_utc=aside.written_utc)


def closings_of(run: Run, result: Result, readings: Readings) -> list[Result]:
    """Lifts whose wheel came down while the boom slewed back with the load hanging.

    Raises:
        RunUnreadable: where the samples are damaged.
    """
    wheels = {wheel.name: wheel for wheel in readings.wheels}
    found = []
    for sweep in result["sweeps"]:
        for lift in (sweep["first_lift"], *sweep["lifts"]):
            if lift is None or lift["wheel"] not in wheels:
                continue
            closing = _closing(run, readings, wheels[lift["wheel"]], lift)
            if closing is not None:
                found.append(closing_document(lift, sweep["side"], closing))
    return found


def _closing(run: Run, readings: Readings, wheel: Wheel, lift: Result) -> Closing | None:
    lift_ns = round(lift["t_s"] * 1e9)
    closed_ns = _closed_ns(wheel, lift_ns)
    hung = next((h for h in readings.hanging if h[0] <= lift_ns < h[1]), None)
    slew = readings.slew
    if closed_ns is None or hung is None or closed_ns >= hung[1] or slew is None:
        return None
    angle = slew.value[slice(*np.searchsorted(slew.t_ns, (lift_ns, closed_ns)))]
    side = 1.0 if lift["slew_deg"] >= 0 else -1.0
    at_deg, before_deg = _angles(readings, closed_ns, closed_ns - _RATE_OVER_NS)
    farthest_deg = float((side * angle).max()) if angle.size else side * at_deg
    back = farthest_deg - side * at_deg > _TURNED_BACK_DEG and side * (before_deg - at_deg) > 0
    if not back or not _same_radius(readings, lift_ns, closed_ns):
        return None
    open_ns = _last_open_ns(run, wheel.name, closed_ns)
    first_deg, last_deg = _angles(readings, open_ns, closed_ns)
    return Closing(
        t_s=closed_ns * 1e-9,
        slew_deg=(first_deg + last_deg) / 2,
        rate_dps=abs(before_deg - at_deg) / (_RATE_OVER_NS * 1e-9),
        gap_s=(closed_ns - open_ns) * 1e-9,
    )


def _closed_ns(wheel: Wheel, lift_ns: int) -> int | None:
    """First closed reading after a lift that stays; None where there is none."""
    later = wheel.open_ns[wheel.open_ns[:, 1] > lift_ns]
    end_ns: int | None = None
    for start, end in later.tolist():
        if end_ns is not None and start - end_ns > ONE_OPENING_NS:
            break
        end_ns = end
    return end_ns


def _angles(readings: Readings, *at_ns: int) -> tuple[float, ...]:
    slew = readings.slew
    if slew is None:
        return tuple(float("nan") for _ in at_ns)
    # Counted from the first of them: ns of a long run have more digits than a float.
    t = (slew.t_ns - at_ns[0]).astype(np.float64)
    return tuple(float(np.interp(t_ns - at_ns[0], t, slew.value)) for t_ns in at_ns)


def _same_radius(readings: Readings, first_ns: int, last_ns: int) -> bool:
    first, last = readings.radius_at(first_ns), readings.radius_at(last_ns)
    return first is None or last is None or abs(last - first) <= _SAME_RADIUS_M


def _last_open_ns(run: Run, wheel: str, closed_ns: int) -> int:
    """The last reading before a contact was seen closed; that itself where there is none near."""
    t_ns, _ = run.contact(f"{WHEEL}{wheel}", closed_ns - _RATE_OVER_NS, closed_ns)
    return int(t_ns[-1]) if t_ns.size else closed_ns
