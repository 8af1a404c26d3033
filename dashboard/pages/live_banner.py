"""The alarm of the page Live, with the switch of its sound: seen without scrolling."""

from __future__ import annotations

from dash import html
from dash.development.base_component import Component

from dashboard.access.visit import may_change
from dashboard.pages.attributes import aria, data


def place(key: str, tag: type[Component] = html.Span, **more: str) -> Component:
    """A place that the page's script writes into, by its key."""
    return tag(id=f"live-{key}", **more)


def live_banner() -> Component:
    """The banner, with what is done about an alarm: to acknowledge it, and to hear it."""
    return html.Section(
        [
            html.Div(
                [
                    place("alarm-sign", className="live-alarm-sign", **aria(hidden="true")),
                    html.Div(
                        [
                            place("alarm-word", html.Strong),
                            " ",
                            html.Bdi(id="live-alarm-text"),
                        ],
                        className="live-alarm-words",
                        role="alert",
                        **aria(atomic="true"),
                    ),
                ],
                className="live-alarm-line",
            ),
            html.Button(
                [
                    place("acknowledge", className="strong"),
                    place("acknowledge-what", className="small"),
                ],
                id="live-acknowledge-button",
                type="button",
                className="button",
                **data(press="acknowledge", locked=str(not may_change()).lower()),
            ),
            html.Button(
                "Sound is off: turn on",
                type="button",
                id="live-sound",
                className="button",
                **data(press="sound"),
            ),
            html.P("Silent: sound is off.", id="live-silent"),
            html.Bdi(id="live-alarm-more", className="live-alarm-more"),
        ],
        id="live-alarm",
        className="live-alarm",
        **aria(label="Alarm"),
        **data(state="unknown", sound="off"),
    )
