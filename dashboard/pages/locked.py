"""How controls that change something look to a witness: locked, with a word why.

What holds is in :mod:`dashboard.access`; this only spares people a press that would be refused.
"""

from __future__ import annotations

from typing import Any

from dash import html
from dash.development.base_component import Component

from dashboard.access.visit import may_change


def lock() -> dict[str, Any]:
    """Properties of a button or field: ``html.Button("Keep note", **lock())``."""
    return {} if may_change() else {"disabled": True}


def why_locked() -> list[Component]:
    """The words beside controls that are locked; nothing where they are open."""
    if may_change():
        return []
    return [html.P("Locked: a witness changes nothing.", className="why-locked small")]
