"""Parts of the page Live: what stands where. Texts and states come later, by their ids."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

from dash import dcc, html
from dash.development.base_component import Component

from dashboard.figures.truck_plan import truck_plan_svg
from dashboard.figures.units import Units
from dashboard.figures.words import wheel_words
from dashboard.live.advice import ADVICE_IS
from dashboard.live.event_words import channel_words
from dashboard.live.feed import Choice
from dashboard.live.picture import EVENTS_KEPT, LivePicture
from dashboard.pages.attributes import aria, data
from dashboard.pages.drawing import Drawing
from dashboard.pages.inert import Inert
from dashboard.pages.live_banner import live_banner, place
from dashboard.pages.locked import lock, why_locked
from logger.events.sweep import Side
from logger.live.live_recordings import LiveRecording

_RING_SHARE = 1.05
_USUAL_RING_M = 4.0
_CELL = "load (cell)"
"""Its own reading; the numeral also has what hangs above the cell."""


def choice_body(choice: Choice, *, folder: Path) -> list[Component]:
    """What stands where nothing is watched yet."""
    problem = [html.P(html.Bdi(f"✖ {choice.problem}"), className="invalid")] * bool(choice.problem)
    if not choice.recordings:
        return [*problem, _nothing(folder)]
    return [
        *problem,
        html.Section(
            [
                html.H2("Which recording?"),
                html.P("Those into this dashboard's folder come first.", className="muted"),
                html.Ul([html.Li(_link(r, folder)) for r in choice.recordings], className="which"),
            ],
            className="card",
        ),
    ]


def _link(recording: LiveRecording, folder: Path) -> Component:
    into = Path(recording.journal).parent
    here = into == folder.absolute()
    return dcc.Link(
        [
            html.Bdi(recording.run_id, className="strong name"),
            html.Bdi("into this folder" if here else f"into {into}", className="muted small name"),
        ],
        href=f"/live?run={quote(recording.run_id, safe='')}",
        className="button which-run",
    )


def _nothing(folder: Path) -> Component:
    return html.Section(
        [
            html.H2("Nothing is being recorded now"),
            html.P("Start a recording in a terminal of this computer, as the same user:"),
            html.Pre(f"slewtrace record --rig rig.toml --test test.toml -o {folder}"),
            html.P("This page shows it as soon as it begins.", className="muted"),
        ],
        className="card empty",
    )


def recording_body(picture: LivePicture, *, folder: Path, units: Units) -> list[Component]:
    """What stands while a recording is watched, and after it.

    What the page's script writes into is handed over whole: were each place a component of Dash, a
    pushed state would cost the browser far more than it takes to show it.
    """
    shown = Inert(
        live_banner(),
        html.Div(
            [
                html.P(id="live-next-words", role="status"),
                html.P(ADVICE_IS, className="small advice-is"),
            ],
            id="live-next",
            className="live-next",
            **data(state="care"),
        ),
        _ended(picture, folder=folder),
        _wheels(picture),
        html.Div(
            [
                html.Figure(
                    Drawing(_plan(picture), id="live-plan", className="truck-plan"),
                    className="card live-plan",
                    **aria(label="The truck seen from above"),
                ),
                html.Div([_numerals(units), _sweeps()], className="live-readings"),
            ],
            className="live-main",
        ),
    )
    return [shown, _actions(units), Inert(_details(picture))]


def _ended(picture: LivePicture, *, folder: Path) -> Component:
    """What helps after the end: shown by the page's phase."""
    run_id, journal = picture.watched.run_id, Path(picture.watched.journal)
    here = journal.parent == folder.absolute()
    sealed = (
        dcc.Link(
            "See its sectors", href=f"/sectors?run={quote(run_id, safe='')}", className="button"
        )
        if here
        else html.P(["It lies in ", html.Code(html.Bdi(str(journal.parent)))])
    )
    return html.Div(
        [
            html.Div(sealed, className="when-sealed"),
            html.Div(
                [
                    html.P("Its readings are kept in its journal. Make a sealed run of them with:"),
                    html.Pre(html.Bdi(f"slewtrace recover {journal}")),
                ],
                className="when-gone",
            ),
            html.Button(
                "Watch what is recorded now",
                type="button",
                className="button when-others",
                **data(press="again"),
            ),
        ],
        className="live-ended",
    )


def _plan(picture: LivePicture) -> str:
    plan = picture.plan
    radius_m = _USUAL_RING_M if plan is None else plan.guarded_radius_m
    return truck_plan_svg(picture.test, ring_m=_RING_SHARE * radius_m)


def _numerals(units: Units) -> Component:
    heads = (
        ("slew", "Slew"),
        ("load", f"Load, all that hangs, {units.mass.unit}"),
        ("radius", f"Radius, {units.length.unit}"),
        ("moment", "Of the required moment"),
    )
    return html.Div(
        [
            html.Div(
                [
                    html.Div(words, className="muted"),
                    place(f"{key}-value", html.Div, className="live-value"),
                    place(f"{key}-below", html.Div, className="live-below"),
                ],
                id=f"live-{key}",
                className="live-numeral",
                **data(state="unknown"),
            )
            for key, words in heads
        ],
        className="card live-numerals",
    )


def _wheels(picture: LivePicture) -> Component:
    return html.Ul(
        [
            html.Li(
                [
                    place(f"wheel-{n}-sign", className="sign", **aria(hidden="true")),
                    html.Bdi(wheel_words(wheel), className="name"),
                    place(f"wheel-{n}-word", html.Strong),
                ],
                id=f"live-wheel-{n}",
                className="live-wheel",
                **data(state="unknown"),
            )
            for n, wheel in enumerate(picture.test.truck.wheels)
        ],
        className="live-wheels",
        **aria(label="Wheels"),
    )


def _sweeps() -> Component:
    return html.Div(
        [
            place("sweep-words", html.P, className="strong"),
            html.P([html.Span("Right side ", className="muted"), place(f"{Side.RIGHT}-swept")]),
            html.P([html.Span("Left side ", className="muted"), place(f"{Side.LEFT}-swept")]),
        ],
        className="card live-sweeps",
    )


def _actions(units: Units) -> Component:
    return html.Div(
        [
            html.Label(
                [
                    html.Span(f"Tape radius, {units.length.unit}", className="small"),
                    dcc.Input(id="live-radius-text", type="text", maxLength=40, **lock()),
                ],
                className="field",
            ),
            _button("Note radius", "radius"),
            _button("Mark this moment", "mark"),
            html.Label(
                [
                    html.Span("Note", className="small"),
                    dcc.Input(id="live-note-text", type="text", maxLength=500, **lock()),
                ],
                className="field wide",
            ),
            _button("Keep note", "text"),
            html.P(id="live-answer", className="answer", role="status"),
            *why_locked(),
        ],
        className="card live-actions",
        role="group",
        **aria(label="Notes into the recording"),
    )


def _button(words: str, press: str) -> Component:
    return html.Button(words, type="button", className="button", **data(press=press), **lock())


def _details(picture: LivePicture) -> Component:
    events = [html.Li(html.Bdi(id=f"live-event-{n}")) for n in range(EVENTS_KEPT)]
    run = html.Bdi(picture.watched.run_id, className="name")
    truck = html.Bdi(picture.test.truck.id, className="name")
    return html.Div(
        [
            html.Section(
                [
                    html.H2("Channels"),
                    html.Table([_channel_head(), html.Tbody(list(_channel_rows(picture)))]),
                    place("health", html.P, className="muted small"),
                ],
                className="card",
            ),
            html.Section(
                [
                    html.H2("What happened last"),
                    html.Ol(events, className="live-events"),
                    html.P(
                        ["Run ", run, " at ", place("clock"), ", truck ", truck],
                        className="muted small",
                    ),
                ],
                className="card",
            ),
        ],
        className="live-details",
    )


def _channel_head() -> Component:
    heads = ("Channel", "State", "Value", "Age", "Rate")
    return html.Thead(html.Tr([html.Th(h, scope="col") for h in heads]))


def _channel_rows(picture: LivePicture) -> Iterator[Component]:
    for number, channel in enumerate(picture.rig.channel):
        name = _CELL if channel.id == "load" else channel_words(channel.id)
        yield html.Tr(
            [
                html.Th(html.Bdi(name, className="name"), scope="row"),
                *(
                    html.Td(place(f"channel-{number}-{key}"), className="value")
                    for key in ("state", "value", "age", "rate")
                ),
            ],
            id=f"live-channel-{number}",
            **data(state="unknown"),
        )
