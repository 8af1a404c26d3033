"""Notes about a run: those of its recording, and those that people add while they look at it."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any

import dash
import dash_mantine_components as dmc
from dash import Input, Output, State, html
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from dashboard.access.callbacks import changing
from dashboard.figures.words import clock_words
from dashboard.later_notes import add_later_note, read_later_notes
from dashboard.pages.attributes import aria, data
from dashboard.pages.locked import lock, why_locked
from dashboard.run_library import RunLibrary
from logger.errors import BadInput
from logger.recording.header import Note
from logger.recording.run import Run

_WORDS_OF_KIND = {"radius": "radius by tape", "mark": "mark", "acknowledge": "alarm acknowledged"}


def notes_panel(run: Run) -> Component:
    """The notes and a form for another."""
    return html.Div(
        [
            html.P(
                "A recording is never changed: notes that are added here lie beside it, dated.",
                className="muted small",
            ),
            html.Div(
                [
                    dmc.TextInput(
                        id="note-text",
                        label="Note at the moment shown",
                        size="md",
                        className="note-text",
                        **lock(),
                    ),
                    dmc.TextInput(id="note-by", label="By", size="md", **lock()),
                    html.Button("Add the note", id="note-add", className="button", **lock()),
                ],
                className="row note-form",
            ),
            *why_locked(),
            html.P(id="note-said", className="small", role="status"),
            html.Div(notes_table(run), id="notes", className="wide-table"),
        ]
    )


def notes_table(run: Run) -> Component:
    """All notes of a run, by the moment that they are about."""
    rows = sorted(_rows(run), key=lambda row: row[0])
    if not rows:
        return html.P("No notes.", className="muted")
    body = [
        html.Tr(
            [
                html.Td(
                    html.Button(
                        clock_words(t_s), className="moment", type="button", **data(seek=repr(t_s))
                    )
                ),
                html.Td(written),
                html.Td(html.Bdi(by)),
                html.Td(html.Bdi(words, className="what")),
            ]
        )
        for t_s, written, by, words in rows
    ]
    heads = ("At", "Written", "By", "Note")
    return html.Table(
        [
            html.Thead(html.Tr([html.Th(head, scope="col") for head in heads])),
            html.Tbody(body),
        ],
        className="notes",
        **aria(label="Notes"),
    )


def all_notes(run: Run) -> tuple[Note, ...]:
    """Notes of the recording and those added later, as moments of the run."""
    later = (
        Note(t_ns=round(n.t_s * 1e9), kind="text", text=f"{n.text} (added later)")
        for n in read_later_notes(run.path)
    )
    return (*run.notes, *later)


def _rows(run: Run) -> Iterator[tuple[float, str, str, str]]:
    """Moment (s), when it was written, by whom, words."""
    started = run.header.started_utc
    start = datetime.fromisoformat(started) if started else None
    for note in run.notes:
        value = f"{note.value_m:.3f} m" if note.value_m is not None else ""
        words = " ".join(filter(None, (_WORDS_OF_KIND.get(note.kind, ""), value, note.text)))
        # A simulated run's clock goes faster than the wall's.
        since_s = note.t_ns / 1e9 / run.header.clock_rate
        written = start and f"{start + timedelta(seconds=since_s):%Y-%m-%d %H:%M:%S} UTC"
        yield note.t_ns / 1e9, written or "while recording", "recording", words
    for later in read_later_notes(run.path):
        written = later.written_utc.replace("T", " ").replace("Z", " UTC")
        yield later.t_s, written, later.by or "—", later.text


def register(app: dash.Dash, library: RunLibrary) -> None:
    """Adds the callback that keeps a note."""

    @app.callback(
        Output("notes", "children"),
        Output("note-said", "children"),
        Output("note-text", "value"),
        Output("replay-noted", "data"),
        Input("note-add", "n_clicks"),
        State("note-text", "value"),
        State("note-by", "value"),
        State("replay-rest", "data"),
        State("replay-run", "data"),
        prevent_initial_call=True,
    )
    @changing
    async def add(
        clicks: int | None,
        text: str | None,
        by: str | None,
        rest: dict[str, Any] | None,
        asked: dict[str, Any] | None,
    ) -> tuple[Any, ...]:
        run = await asyncio.to_thread(library.find, asked["run"]) if asked else None
        if not clicks or not rest or run is None:
            raise PreventUpdate
        try:
            note = await asyncio.to_thread(
                add_later_note, run.path, t_s=float(rest["t_s"]), text=text or "", by=by or ""
            )
        except BadInput as exc:
            return dash.no_update, f"✖ {exc}", dash.no_update, dash.no_update
        said = f"Kept at {clock_words(note.t_s)}."
        return notes_table(run), said, "", clicks
