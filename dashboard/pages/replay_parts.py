"""What stands on the replay page: the moment's numbers and plan, the traces, the bar below."""

from __future__ import annotations

import dash_mantine_components as dmc
from dash import html
from dash.development.base_component import Component

from dashboard.figures.alignment import WORDS_OF_WAY
from dashboard.figures.units import Units
from dashboard.pages.attributes import aria, data
from dashboard.pages.inert import Inert
from dashboard.pages.page import Query
from dashboard.run_library import RunLibrary
from logger.recording.run import Run

_SPEEDS = ("0.25", "0.5", "1", "2", "5", "10")
_MOST_RUNS_OFFERED = 300
_LONGEST_LABEL = 70


def at_moment(units: Units) -> Component:
    """The numbers and the plan at one moment."""
    numbers = (
        ("slew", "Slew", ""),
        ("load", "Load", units.mass.unit),
        ("radius", "Radius", units.length.unit),
        ("moment", "Moment", units.moment.unit),
        ("share", "Of the required moment", "%"),
    )
    return html.Section(
        [
            html.H2("At the moment", className="hidden"),
            Inert(
                html.Div([_number(*n) for n in numbers], className="numbers"),
                html.Div(id="readout-load-place", className="place", **aria(live="off")),
            ),
            html.Figure(
                [
                    html.Div(id="plan-frame"),
                    html.Figcaption(id="plan-words", className="muted small"),
                ],
                **aria(label="The truck seen from above"),
            ),
        ],
        className="card at-moment",
    )


def _number(key: str, words: str, unit: str) -> Component:
    value = html.Span("—", id=f"readout-{key}", className="value")
    return html.Div(
        [
            html.Div(words, className="muted small"),
            html.Div([value, html.Span(f" {unit}")] if unit else value, className="figure"),
        ],
        className=f"number of-{key}",
    )


def traces_card(library: RunLibrary, run: Run, query: Query) -> Component:
    """The traces, over time or over the slew angle, with what chooses between them."""
    return html.Section(
        [
            html.H2("Readings", className="hidden"),
            _choices(library, run, query),
            html.P(id="overlay-words", className="small over-time", **aria(live="polite")),
            html.Figure(
                [
                    Inert(
                        html.Div(
                            [
                                html.Div(
                                    html.Div(id="traces-plot"), id="traces", className="traces"
                                ),
                                html.Div(id="trace-marks", **aria(hidden="true")),
                                html.Div(html.Span("pin"), id="pin-line", className="cursor pin"),
                                html.Div(id="cursor", className="cursor", **aria(hidden="true")),
                            ],
                            className="traces-frame over-time",
                        )
                    ),
                    html.Div(
                        [
                            html.Div(id="angles-frame", className="traces"),
                            html.Div(id="angle-cursor", className="cursor", **aria(hidden="true")),
                        ],
                        className="traces-frame over-angle",
                    ),
                    html.Figcaption(
                        [
                            html.Span(id="traces-words", className="over-time"),
                            html.Span(id="angles-words", className="over-angle"),
                        ],
                        className="muted small",
                    ),
                ],
                **aria(label="Readings"),
            ),
            html.P(
                "Drag across to zoom, double-click to see all, click to go there, "
                "Shift and click to pin.",
                className="muted small hint",
            ),
        ],
        className="card traces-card",
    )


def _choices(library: RunLibrary, run: Run, query: Query) -> Component:
    others = _others(library, run)
    wanted = query.words.get("with")
    way = query.words.get("by")
    return html.Div(
        [
            dmc.SegmentedControl(
                id="replay-axis",
                value="angle" if query.words.get("axis") == "angle" else "time",
                data=[
                    {"value": "time", "label": "Over time"},
                    {"value": "angle", "label": "Over slew angle"},
                ],
                size="md",
                **aria(label="Axis"),
            ),
            dmc.Select(
                id="overlay-run",
                data=others,
                value=wanted if wanted in {o["value"] for o in others} else None,
                placeholder="Lay another run over …" if others else "No other run to lay over",
                disabled=not others,
                searchable=True,
                clearable=True,
                size="md",
                maxDropdownHeight=320,
                **aria(label="Another run laid over this one"),
            ),
            dmc.Select(
                id="overlay-way",
                data=[{"value": v, "label": f"by {words}"} for v, words in WORDS_OF_WAY.items()],
                value=way if way in WORDS_OF_WAY else "start",
                allowDeselect=False,
                size="md",
                className="over-time",
                **aria(label="Event by which the two runs are aligned"),
            ),
        ],
        className="choices",
    )


def _others(library: RunLibrary, run: Run) -> list[dict[str, str]]:
    runs = [r for r in library.shelf().runs if r.header.run_id != run.header.run_id]
    return [{"value": r.header.run_id, "label": _label(r)} for r in runs[:_MOST_RUNS_OFFERED]]


def _label(run: Run) -> str:
    header = run.header
    words = f"{header.run_id} · {header.test.truck.id} · {(header.started_utc or 'no date')[:10]}"
    plain = "".join(c for c in words if c.isprintable())
    return plain if len(plain) <= _LONGEST_LABEL else plain[: _LONGEST_LABEL - 1] + "…"


def transport() -> Component:
    """The bar that moves the moment; its targets are large enough for gloves."""
    return html.Div(
        [
            Inert(
                html.Div(
                    [
                        html.Output("0:00.0", id="readout-time", className="time"),
                        html.Div(id="scrubber", className="scrubber"),
                        html.Span(id="replay-end", className="end small", role="status"),
                    ],
                    className="along",
                )
            ),
            html.Div(
                [
                    Inert(
                        _button("◂ Event", "previous-event", "Previous event (key p)"),
                        _button(
                            "‹", "previous-reading", "One reading back (left arrow)", narrow=True
                        ),
                        _button("Play", "play", "Play or pause (space bar)", main=True),
                        _button("›", "next-reading", "One reading on (right arrow)", narrow=True),
                        _button("Event ▸", "next-event", "Next event (key n)"),
                        _go_to(),
                    ),
                    dmc.SegmentedControl(
                        id="speed",
                        value="1",
                        data=[{"value": s, "label": f"{s}×"} for s in _SPEEDS],
                        size="md",
                        **aria(label="Speed"),
                    ),
                    Inert(_button("?", "show-keys", "Keys of this page", narrow=True)),
                ],
                className="controls",
            ),
        ],
        className="transport",
        role="group",
        **aria(label="Replay"),
    )


def _go_to() -> Component:
    return html.Label(
        [
            html.Span("Time, s", className="muted small"),
            html.Span(id="time-field"),
        ],
        className="go-to",
    )


def _button(
    words: str, key: str, title: str, *, main: bool = False, narrow: bool = False
) -> Component:
    named = aria(label=title.split(" (", maxsplit=1)[0]) if narrow else {}
    kind = "main" if main else "narrow-button" if narrow else ""
    return html.Button(words, id=key, title=title, className=kind, type="button", **named)


def seek_button(t_s: float, parts: list[Component], kind: str = "moment") -> Component:
    """A button that goes to a moment of the run."""
    return html.Button(parts, className=kind, type="button", **data(seek=repr(t_s)))
