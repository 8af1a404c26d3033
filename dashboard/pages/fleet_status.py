"""What stands above a fleet's figures: counts, verdicts, how old the catalogue is, what failed."""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
from dash import dcc, html
from dash.development.base_component import Component

from dashboard.capacity.method_version import METHOD_VERSION
from dashboard.catalogue.places import place_of
from dashboard.catalogue.queries import Catalogue
from dashboard.figures.words import number_words
from dashboard.pages.fleet_choice import EVERYTHING
from dashboard.pages.fleet_reading import FleetView
from dashboard.pages.inert import Inert
from dashboard.pages.locked import lock, why_locked
from dashboard.pages.runs_rows import SIGN_OF_STANDING, STANDINGS

FEW = 60
"""Files that a page analyses by itself, when it is asked to."""
MAKE, MAKING = "Analyse here", "Analysing …"
_TOLD = 100
"""Files set aside that are listed."""


def command(folder: Path) -> str:
    """What makes the catalogue of a folder."""
    return f"slewtrace fleet {shlex.quote(str(folder))}"


def counts(view: FleetView) -> Component:
    """How many runs, trucks, builds and kits are shown, from when to when, and their verdicts."""
    runs = view.runs
    told = [
        _count(runs.num_rows, "run"),
        *(_count(_kinds(runs, column), column) for column in ("truck", "build", "kit")),
    ]
    days = _days(runs)
    return html.Div(
        [
            html.P([html.Span(t) for t in (*told, *([days] if days else []))], className="counts"),
            html.P([html.Span(v) for v in _verdicts(runs)], className="standings"),
        ]
    )


def catalogue_age(folder: Path, catalogue: Catalogue) -> Component:
    """How old the catalogue is against the folder as it is now.

    Args:
        folder: of the runs.
        catalogue: of them.
    """
    newer, gone = behind(folder, catalogue)
    outdated = catalogue.method_version != METHOD_VERSION
    if not newer and not gone and not outdated:
        return Inert(html.P("✓ The catalogue is up to date with the folder.", className="muted"))
    said = []
    if newer:
        said.append(f"{_plural(newer, 'file')} newer than this catalogue")
    if gone:
        said.append(f"{_plural(gone, 'file')} in it no longer in the folder")
    if outdated:
        said.append("its results are of another version of the method")
    update = html.Code(html.Bdi(command(folder)))
    words = html.P([html.Strong("▲ "), f"{'; '.join(said)}. To bring it up to date: ", update])
    return html.Div([Inert(words), *_making(catalogue.count() if outdated else newer + gone)])


def _making(files: int) -> Iterator[Component]:
    """The button that makes the catalogue here, where that takes no more than a minute or so."""
    if 0 < files <= FEW:
        yield html.Button(MAKE, id="fleet-make", className="button main", type="button", **lock())
        yield from why_locked()
        yield html.P("", id="fleet-made-says", role="status", className="invalid")
        yield dcc.Store(id="fleet-made")


def behind(folder: Path, catalogue: Catalogue) -> tuple[int, int]:
    """How many files came or changed since the catalogue was written, and how many went.

    Args:
        folder: of the runs.
        catalogue: of them.
    """
    there = place_of(folder).runs()
    files = catalogue.files()
    known = dict(zip(files["path"].to_pylist(), files["stamp"].to_pylist(), strict=True))
    tried = set(catalogue.set_aside()["path"].to_pylist())
    newer = sum(known.get(p) != s for p, s in there.items() if p in known or p not in tried)
    return newer, sum(path not in there for path in known)


def set_aside(files: pa.Table) -> Iterator[Component]:
    """What could not be analysed, with its reason."""
    if not files.num_rows:
        return
    rows = files.slice(0, _TOLD).to_pylist()
    more = files.num_rows - len(rows)
    yield html.Details(
        [
            html.Summary(f"{_plural(files.num_rows, 'file', verb=False)} set aside"),
            html.Ul(
                [
                    html.Li([html.Code(html.Bdi(r["path"])), " ", html.Bdi(r["reason"])])
                    for r in rows
                ],
                className="files",
            ),
            *([html.P(f"and {number_words(more, '')} more", className="muted")] if more else []),
        ],
        className="set-aside",
    )


def no_catalogue(folder: Path) -> Component:
    """What to do first."""
    files = len(place_of(folder).runs())
    return html.Section(
        [
            html.H2("No catalogue of this folder yet"),
            Inert(
                html.P(
                    "A catalogue holds one row a run: first lifts, percentages, verdicts. This "
                    "page shows how they are spread and how they drift."
                ),
                html.P("Make it, and again after new runs; only what is new is analysed:"),
                html.Pre(html.Bdi(command(folder))),
                html.P(f"{_plural(files, 'file', verb=False)} in the folder and below."),
            ),
            *_making(files),
        ],
        className="card empty",
    )


def unusable(reason: str) -> Component:
    """Why a catalogue can't be read."""
    return html.Section(
        [html.H2("The catalogue can't be read"), html.P(html.Bdi(reason))], className="card empty"
    )


def no_runs(view: FleetView) -> Component:
    """What is shown where no run fits the choice, or the catalogue is empty."""
    if view.choice.narrowed:
        clear = dcc.Link("Show all runs", href=EVERYTHING.address, className="button")
        return html.Section([html.H2("No run fits"), clear], className="card empty")
    return html.Section([html.H2("The catalogue holds no run")], className="card empty")


def _kinds(runs: pa.Table, column: str) -> int:
    """How many trucks, builds or kits there are; no build is none."""
    return int(pc.sum(pc.not_equal(pc.unique(runs[column]), "")).as_py() or 0)


def _count(number: int, noun: str) -> list[Component | str]:
    if not number and noun == "build":
        return ["no build named"]
    words = noun if number == 1 else f"{noun}s"
    return [html.Strong(number_words(number, "")), f" {words}"]


def _plural(number: int, noun: str, *, verb: bool = True) -> str:
    words = f"{number_words(number, '')} {noun}{'' if number == 1 else 's'}"
    return f"{words} {'is' if number == 1 else 'are'}" if verb else words


def _days(runs: pa.Table) -> str:
    ends = pc.min_max(runs["started_utc"]).as_py()
    if ends["min"] is None:
        return ""
    first, last = ends["min"][:10], ends["max"][:10]
    return first if first == last else f"{first} to {last}"


def _verdicts(runs: pa.Table) -> Iterator[str]:
    found = {v["values"]: v["counts"] for v in pc.value_counts(runs["verdict"]).to_pylist()}
    for standing in (*STANDINGS, *sorted(set(found) - set(STANDINGS))):
        if found.get(standing):
            sign = SIGN_OF_STANDING.get(standing, "·")
            yield f"{sign} {number_words(found[standing], '')} {standing}"
