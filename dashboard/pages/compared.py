"""What the page Compare shows of each run, worked out once and kept while its result stands."""

from __future__ import annotations

import asyncio
import threading
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, replace

from dashboard.comparing import check_apart, compare, compared_run, set_aside_of
from dashboard.figures.run_overlay import AngleLine, OverlaidRun, lines_of_run
from dashboard.figures.run_reactions import reaction_lines
from dashboard.pages.compare_choice import Comparison
from dashboard.repeats.run_comparison_sameness import ComparedRun
from dashboard.run_library import RunLibrary
from dashboard.shelf.analyses import Result, awaited, failure_words
from logger.errors import RunUnreadable
from logger.recording.run import Run

MOST_KEPT = 60


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Looked:
    """A run that was looked through.

    Attributes:
        result: what it rests on.
        compared: the run as it is compared.
        lines: over the slew angle.
        reactions: by the truck model, over the slew angle.
    """

    result: Result
    compared: ComparedRun
    lines: tuple[AngleLine, ...]
    reactions: tuple[AngleLine, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Found:
    """Runs that were asked for.

    Attributes:
        runs: those that can be compared, in the order asked for.
        looked: what was seen in each, likewise.
        missing: a line for each that can't.
    """

    runs: tuple[Run, ...]
    looked: tuple[Looked, ...]
    missing: tuple[str, ...]

    def overlaid(self, *, reactions: bool = False) -> list[OverlaidRun]:
        """The runs as figures take them."""
        return [
            OverlaidRun(
                number=number,
                of=len(self.looked),
                lines=looked.reactions if reactions else looked.lines,
                lifts_deg=tuple(
                    s["first_lift"]["estimate_deg"]
                    for s in looked.result["sweeps"]
                    if s["counts"] and s["first_lift"]
                ),
                set_aside=looked.compared.set_aside is not None,
            )
            for number, looked in enumerate(self.looked, 1)
        ]


class LookedThrough:
    """Runs of a folder as the page needs them. Safe to use from several threads.

    Args:
        library: the folder.
    """

    def __init__(self, library: RunLibrary) -> None:
        self._library = library
        self._lock = threading.Lock()
        self._kept: OrderedDict[str, Looked] = OrderedDict()

    async def wait_for(self, choice: Comparison) -> None:
        """Waits until the runs of a choice are analysed, as far as they can be; no thread waits."""
        runs, _ = await asyncio.to_thread(self._runs, choice)
        self._library.want(runs)
        for run in runs:
            await asyncio.gather(self._result(run), return_exceptions=True)  # find() tells of them

    def find(self, choice: Comparison) -> Found:
        """The runs of a choice, with what is in them; waits until all are analysed."""
        runs, missing = self._runs(choice)
        self._library.want(runs)
        looked: list[tuple[Run, Looked]] = []
        for run in runs:
            try:
                looked.append((run, self._look(run)))
            except RunUnreadable as exc:
                missing.append(f"{run.header.run_id}: {exc}")
        return Found(
            runs=tuple(run for run, _ in looked),
            looked=tuple(seen for _, seen in looked),
            missing=tuple(missing),
        )

    def _runs(self, choice: Comparison) -> tuple[list[Run], list[str]]:
        """The runs that there are, and a line for each that there is not."""
        runs: list[Run] = []
        missing: list[str] = []
        for run_id in choice.runs:
            run = self._library.find(run_id)
            if run is None:
                missing.append(f"{run_id}: there is no such run in this folder")
            else:
                runs.append(run)
        return runs, missing

    async def _result(self, run: Run) -> Result:
        return await awaited(self._library.result(run))

    def _look(self, run: Run) -> Looked:
        """What is in a run; whether it is set aside is asked anew each time."""
        future = self._library.result(run)
        failure = failure_words(future)
        if failure:
            raise RunUnreadable(where="not analysed", what=failure)
        result = future.result()
        with self._lock:
            kept = self._kept.get(run.header.run_id)
        if kept is None or kept.result is not result:
            kept = self._look_through(run, result)
            with self._lock:
                self._kept[run.header.run_id] = kept
                while len(self._kept) > MOST_KEPT:
                    self._kept.popitem(last=False)
        return replace(kept, compared=replace(kept.compared, set_aside=set_aside_of(run)))

    def _look_through(self, run: Run, result: Result) -> Looked:
        readings = self._library.readings(run)
        return Looked(
            result=result,
            compared=compared_run(run, result, readings),
            lines=lines_of_run(result, readings),
            reactions=reaction_lines(result, run.header.test.model),
        )


def comparison_of(found: Found, choice: Comparison) -> Result:
    """The comparison of runs that were found.

    Raises:
        BadInput: where they are too few, or no repeats of one test.
    """
    check_apart(found.runs)
    compared: Sequence[ComparedRun] = [seen.compared for seen in found.looked]
    ids = {run.run_id for run in compared}
    asked = replace(choice.asked, against=choice.against if choice.against in ids else "")
    return compare(compared, asked)
