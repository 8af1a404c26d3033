"""What stands around every page: the name, the links, colours and units, the safety words."""

from __future__ import annotations

from collections.abc import Iterator

import dash
import dash_mantine_components as dmc
from dash import ClientsideFunction, Input, Output, dcc, html
from dash.development.base_component import Component

from dashboard.access.gate import SIGN_OUT
from dashboard.access.visit import Role, who
from dashboard.figures.palette import FONT
from dashboard.figures.units import SI, US
from dashboard.pages.attributes import aria
from logger.safety_words import SAFETY_WORDS

_DARK_SHADES = [
    "#eef3f7",
    "#d3dce4",
    "#aab7c4",
    "#7f8e9c",
    "#4b5a68",
    "#3a4854",
    "#2e3b47",
    "#1e2933",
    "#172029",
    "#10171e",
]
_THEME = {
    "fontFamily": FONT,
    "headings": {"fontFamily": FONT},
    "primaryColor": "blue",
    "primaryShade": {"light": 8, "dark": 4},
    "defaultRadius": "sm",
    "colors": {"dark": _DARK_SHADES},
}
_COLOURS = (("auto", "Automatic"), ("day", "Day"), ("night", "Night"), ("sun", "Sunlight"))


def layout() -> Component:
    """The layout that every page is shown in."""
    provider: Component = dmc.MantineProvider(
        [
            dcc.Location(id="url", refresh="callback-nav"),
            dcc.Store(id="screen"),
            html.A("Skip to the content", href="#page", className="skip"),
            _header(),
            html.Main(html.P("Loading …", className="muted"), id="page"),
            html.Footer([html.Strong("Caution  "), SAFETY_WORDS], className="safety"),
        ],
        id="provider",
        theme=_THEME,
        defaultColorScheme="auto",
    )
    return provider


def register(app: dash.Dash) -> None:
    """Adds what every page needs: to know the screen that it is shown on."""
    app.clientside_callback(  # type: ignore[no-untyped-call]
        ClientsideFunction(namespace="shell", function_name="choose"),
        Output("provider", "forceColorScheme"),
        Output("screen", "data"),
        Input("colours", "value"),
    )


def _header() -> Component:
    return html.Header(
        [
            dcc.Link([_mark(), html.Span("Slewtrace")], href="/", className="brand"),
            html.Nav([], id="links", **aria(label="Pages")),
            html.Details(
                [html.Summary("View", className="button"), _view()], className="view", id="view"
            ),
            *_signed_in(),
        ],
        className="bar",
    )


def _signed_in() -> Iterator[Component]:
    """Who is signed in, and the way out; nothing where nobody is asked who they are."""
    role = who()
    if role is None:
        return
    more = "reads only" if role is Role.WITNESS else "may change things"
    yield html.Form(
        [
            html.Span(
                [html.Strong(role.capitalize()), html.Span(more, className="muted small")],
                className="signed-in-as",
            ),
            html.Button("Sign out", type="submit", className="button"),
        ],
        id="signed-in",
        method="post",
        action=SIGN_OUT,
        className="signed-in",
    )


def _view() -> Component:
    return html.Div(
        [
            _choice("colours", "Colours", _COLOURS, "auto"),
            _choice(
                "units", "Units", ((SI.name, "kg, m, kN·m"), (US.name, "lb, ft, ft·lbf")), "si"
            ),
        ],
        className="view-menu",
    )


def _choice(key: str, words: str, options: tuple[tuple[str, str], ...], first: str) -> Component:
    return html.Fieldset(
        [
            html.Legend(words),
            dmc.SegmentedControl(
                id=key,
                value=first,
                data=[{"value": value, "label": label} for value, label in options],
                size="md",
                persistence=True,
                persistence_type="local",
                **aria(label=words),
            ),
        ]
    )


def _mark() -> Component:
    """A quarter turn and a boom, drawn in CSS."""
    return html.Span(className="mark", **aria(hidden="true"))
