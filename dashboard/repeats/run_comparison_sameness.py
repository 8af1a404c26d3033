"""What two runs must have in common to be repeats of one test, and what differs between them.

Runs of other trucks, cranes or plans are no repeats: comparing them is refused unless someone
asks for it all the same, and then each difference is a finding. Lesser differences (the decision
rule, steps of rounding, a calibration that was changed) are findings in any case.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from dashboard.repeats.run_comparison_values import SHARED_BY

Result = Mapping[str, Any]
_SAME = 1e-6
_MOST_NAMED = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class SetAside:
    """Why a run is left out of the statistics.

    Attributes:
        reason: in someone's words.
        by: whose; empty where nobody said.
        written_utc: when, ISO 8601.
    """

    reason: str
    by: str
    written_utc: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedRun:
    """A run that is compared with others.

    Attributes:
        result: its ``slewtrace.result/1`` document, computed by this version of the method.
        build: the truck's build as the test file names it; empty where it doesn't.
        kit: id of the rig that measured it.
        started_utc: when, ISO 8601; None where nobody knows.
        truck_model: the truck as the test file models it, in any form that is the same only for
            the same model; empty where it has none.
        set_aside: why it is left out of the statistics; None where it isn't.
        closings: lifts that closed again under load, see :mod:`run_comparison_return`.
    """

    result: Result
    build: str
    kit: str
    started_utc: str | None
    truck_model: str = ""
    set_aside: SetAside | None = None
    closings: tuple[Mapping[str, Any], ...] = ()

    @property
    def run_id(self) -> str:
        """The run's id."""
        return str(self.result["run_id"])


@dataclass(frozen=True, slots=True, kw_only=True)
class Departure:
    """Something in which runs differ.

    Attributes:
        code: what, one word for documents.
        words: what differs, without the runs' own words; for those who set these apart.
        groups: each way in which it stands, and the ids of the runs in which it does.
        other_test: whether such runs are no repeats of one test.
    """

    code: str
    words: str
    groups: tuple[tuple[str, tuple[str, ...]], ...]
    other_test: bool

    @property
    def text(self) -> str:
        """One sentence."""
        told = "; ".join(f"{name}: {_listed(ids)}" for name, ids in self.groups)
        return f"{self.words}: {told}"

    def document(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "code": self.code,
            "text": self.text,
            "words": self.words,
            "groups": [{"name": name, "runs": list(ids)} for name, ids in self.groups],
            "other_test": self.other_test,
        }


def departures(runs: Sequence[ComparedRun]) -> tuple[Departure, ...]:
    """All that differs between runs, what makes them no repeats first."""
    return (*_of_the_test(runs), *_of_the_judgement(runs))


def in_common(first: ComparedRun, second: ComparedRun) -> frozenset[str]:
    """What two runs share, in the words of :data:`SHARED_BY`.

    A channel is shared where one kit reads it with one calibration. Rigging and geometry go with
    the truck and its crane, as long as the kit is the same.
    """
    if first.kit != second.kit:
        return frozenset()
    own, other = (
        {r["channel"]: (r["equation"], r["u"]) for r in run.result["readings"]}
        for run in (first, second)
    )
    channels = {c for c in own.keys() & other.keys() if own[c] == other[c]}
    same_mount = all(first.result[key] == second.result[key] for key in ("truck", "crane"))
    with_mount = {"rigging", "geometry"} if same_mount else set()
    return frozenset((channels | with_mount) & set(SHARED_BY.values()))


def _of_the_test(runs: Sequence[ComparedRun]) -> Iterator[Departure]:
    yield from _named(runs, "truck", "trucks", lambda r: r.result["truck"], other_test=True)
    yield from _named(runs, "crane", "cranes", lambda r: r.result["crane"], other_test=True)
    yield from _numbered(
        runs, "required_moment", "required moments", lambda r: _plan(r, "required_moment_nm"), "N·m"
    )
    yield from _test_load(runs)
    yield from _named(
        runs,
        "moment_factor",
        "moment factors",
        lambda r: f"{r.result['required']['factor']:.6g}",
        other_test=False,
    )


def _of_the_judgement(runs: Sequence[ComparedRun]) -> Iterator[Departure]:
    told: tuple[tuple[str, str, Callable[[ComparedRun], str]], ...] = (
        ("build", "builds", lambda r: r.build or "(not named)"),
        ("kit", "kits", lambda r: r.kit),
        ("rule", "decision rules", lambda r: str(r.result["rule"])),
        ("rounding", "steps of rounding", _rounding),
        ("method_version", "method versions", lambda r: str(r.result["method_version"])),
        ("radius", "guarded radii", lambda r: f"{_plan(r, 'guarded_radius_m'):.2f} m"),
    )
    for code, words, of in told:
        yield from _named(runs, code, words, of, other_test=False)
    yield from _models(runs)
    for first, second in ((runs[0], other) for other in runs[1:]):
        if first.kit == second.kit:
            yield from _calibration(first, second)


def _named(
    runs: Sequence[ComparedRun],
    code: str,
    words: str,
    of: Callable[[ComparedRun], Any],
    *,
    other_test: bool,
) -> Iterator[Departure]:
    found = _grouped(runs, of)
    if len(found) > 1:
        yield Departure(code=code, words=f"different {words}", groups=found, other_test=other_test)


def _grouped(
    runs: Sequence[ComparedRun], of: Callable[[ComparedRun], Any]
) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Runs by what is told of each, in the order in which they come."""
    names: dict[str, tuple[str, ...]] = {}
    for run in runs:
        name = str(of(run))
        names[name] = (*names.get(name, ()), run.run_id)
    return tuple(names.items())


def _numbered(
    runs: Sequence[ComparedRun],
    code: str,
    words: str,
    of: Callable[[ComparedRun], float],
    unit: str,
) -> Iterator[Departure]:
    values = [of(run) for run in runs]
    if max(values) - min(values) > _SAME * max(map(abs, values)):
        groups = _grouped(runs, lambda run: f"{of(run):.6g} {unit}")
        yield Departure(code=code, words=f"different {words}", groups=groups, other_test=True)


def _test_load(runs: Sequence[ComparedRun]) -> Iterator[Departure]:
    """Test loads that differ by more than both are known to are another plan; less is a note."""
    loads = [(_plan(r, "test_load_kg"), 2 * _plan(r, "u_test_load_kg")) for r in runs]
    (low, u_low), (high, u_high) = min(loads), max(loads)
    if high - low > _SAME * high:
        yield Departure(
            code="test_load",
            words="different test loads",
            groups=_grouped(runs, lambda run: f"{_plan(run, 'test_load_kg'):.6g} kg"),
            other_test=high - low > u_low + u_high,
        )


def _models(runs: Sequence[ComparedRun]) -> Iterator[Departure]:
    """Runs of one build whose test files describe the truck differently."""
    first_of: dict[str, ComparedRun] = {}
    for run in runs:
        first = first_of.setdefault(run.build, run)
        if first.truck_model != run.truck_model:
            yield Departure(
                code="model",
                words="test files that describe the truck differently though its build is the same",
                groups=((run.build or "(not named)", (first.run_id, run.run_id)),),
                other_test=False,
            )


def _calibration(first: ComparedRun, second: ComparedRun) -> Iterator[Departure]:
    own = {r["channel"]: (r["equation"], r["u"]) for r in first.result["readings"]}
    changed = [
        r["channel"]
        for r in second.result["readings"]
        if r["channel"] in own and own[r["channel"]] != (r["equation"], r["u"])
    ]
    if changed:
        yield Departure(
            code="calibration",
            words=f"kit calibrated anew in between ({', '.join(changed)})",
            groups=((first.kit, (first.run_id, second.run_id)),),
            other_test=False,
        )


def _plan(run: ComparedRun, key: str) -> float:
    return float(run.result["plan"][key])


def _rounding(run: ComparedRun) -> str:
    r = run.result["rounding"]
    return f"{r['angle_step_deg']:g}°, {r['percent_step']:g} %, {r['sectors']}"


def _listed(ids: Sequence[str]) -> str:
    more = len(ids) - _MOST_NAMED
    shown = ", ".join(ids[:_MOST_NAMED])
    return f"{shown} and {more} more" if more > 0 else shown
