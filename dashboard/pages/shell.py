"""What stands around every page: the name, the links, the switch of colours, the safety words."""

from __future__ import annotations

import dash
import dash_mantine_components as dmc
from dash import ClientsideFunction, Input, Output, dcc, html
from dash.development.base_component import Component

from dashboard.figures.palette import FONT
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
        theme=_THEME,
        defaultColorScheme="auto",
    )
    return provider


def register(app: dash.Dash) -> None:
    """Adds what every page needs: to know the screen that it is shown on."""
    app.clientside_callback(  # type: ignore[no-untyped-call]
        ClientsideFunction(namespace="slewtrace", function_name="screen"),
        Output("screen", "data"),
        Input("url", "pathname"),
    )


def _header() -> Component:
    return html.Header(
        [
            dcc.Link([_mark(), html.Span("Slewtrace")], href="/", className="brand"),
            html.Nav([], id="links", **aria(label="Pages")),
            dmc.ColorSchemeToggle(
                lightIcon="☀",
                darkIcon="☾",
                size=44,
                variant="default",
                **aria(label="Switch between light and dark colours"),
            ),
        ],
        className="bar",
    )


def _mark() -> Component:
    """A quarter turn and a boom, drawn in CSS."""
    return html.Span(className="mark", **aria(hidden="true"))
