"""What else lies in the folder: recordings that were not sealed, and files that can't be read."""

from __future__ import annotations

from collections.abc import Iterator

from dash import dcc, html
from dash.development.base_component import Component

from dashboard.pages.attributes import aria
from dashboard.pages.locked import lock, why_locked
from dashboard.shelf.run_shelf import Shelf


def empty() -> Component:
    """What a new user does first."""
    return html.Section(
        [
            html.H2("No run in this folder yet"),
            html.P("Try a simulated truck, from the wires to the sectors:"),
            html.Pre("slewtrace demo"),
            html.P("Record a test of your own into this folder:"),
            html.Pre("slewtrace record --rig rig.toml --test test.toml -o FOLDER"),
            html.P("Or bring readings that another system took:"),
            html.Pre("slewtrace import readings.csv --rig rig.toml --test test.toml -o RUN"),
            html.P("A sealed run from elsewhere: drop it on this page."),
        ],
        className="card empty",
    )


def other_files(shelf: Shelf) -> list[Component]:
    """Sections on what is no sealed run."""
    return [*_unsealed(shelf), *_unreadable(shelf)]


def _unsealed(shelf: Shelf) -> Iterator[Component]:
    if not shelf.journals:
        return
    yield html.H2("Not sealed yet")
    yield html.P(
        [
            "Still being recorded: ",
            dcc.Link("see it live", href="/live"),
            ". Or left by a recorder that was stopped; then seal what it left:",
        ],
        className="muted",
    )
    yield html.Ul(
        [html.Li(html.Code(html.Bdi(f"slewtrace recover {p}"))) for p in shelf.journals],
        className="files",
    )


def _unreadable(shelf: Shelf) -> Iterator[Component]:
    if not shelf.unreadable:
        return
    yield html.H2("Can't be read")
    yield html.Ul(
        [
            html.Li([html.Code(html.Bdi(u.path.name)), " ", html.Bdi(u.reason)])
            for u in shelf.unreadable
        ],
        className="files",
    )


def adding() -> Component:
    """Where a sealed run from elsewhere is picked or dropped."""
    return html.Div(
        [
            html.Button(
                "Add a run …",
                id="runs-add",
                className="button",
                type="button",
                title="Pick sealed runs, or drop them anywhere on this page",
                **lock(),
            ),
            *why_locked(),
            html.P("", id="runs-added", className="added", role="status", **aria(live="polite")),
        ],
        className="adding",
    )
