"""Parts of a page that Dash does not watch, and the drawing library that stands beside them."""

from __future__ import annotations

import re
from pathlib import Path

import plotly.offline
from dash import dcc, html
from dash._utils import to_json
from dash.development.base_component import Component

import dashboard
from dashboard.app import PAGES, make_app
from dashboard.figures.units import SI
from dashboard.pages.inert import Inert
from dashboard.pages.page import read_query
from dashboard.results import analyse
from dashboard.run_library import RunLibrary
from tests.sample_runs import seal_sample

PACKAGE = Path(dashboard.__file__).parent
LIBRARY = PACKAGE / "assets" / "vendor" / "plotly-basic.min.js"
DRAWN_BY_IT = {"Scatter", "Bar", "Pie"}


def test_what_is_inert_is_sent_where_dash_looks_for_no_component():
    """Its parts are no children, which Dash would take up one by one."""
    sent = to_json(Inert(html.P(["a ", html.Bdi("<b>")]), dcc.Link("there", href="/")))

    assert '"props":{"parts":[' in sent
    assert '"namespace":"slewtrace"' in sent
    assert "children" not in sent.split('"parts"')[0]


def _parts(part, *, inert=False):
    """Each component of a layout, and whether it is inert."""
    for one in part if isinstance(part, (list, tuple)) else [part]:
        if isinstance(one, Component):
            within = inert or isinstance(one, Inert)
            yield one, within
            yield from _parts(getattr(one, "children", None), inert=within)


def test_nothing_inert_is_named_by_a_callback(tmp_path):
    """A callback would wait for ever for a component that Dash does not know."""
    made = seal_sample(tmp_path)
    app = make_app(tmp_path)
    library = RunLibrary(tmp_path, analyse=analyse)
    run = library.find(made.path.stem)
    library.result(run).result(60)
    asked = read_query(f"?run={made.path.stem}", units=SI)
    layouts = [page.layout(library, run if page.of_run else None, asked) for page in PAGES]
    library.close()
    inert = {str(p.id) for p, within in _parts(layouts) if within and getattr(p, "id", None)}
    named = {d["id"] for c in app.callback_map.values() for d in (*c["inputs"], *c["state"])}
    named |= set(re.findall(r"([\w-]+)\.\w+", " ".join(app.callback_map)))

    assert "proof" in inert
    assert {"url", "page", "screen"} <= named
    assert not inert & named


def test_the_drawing_library_is_the_one_that_figures_are_made_for():
    """Its version is that of the whole library that plotly brings along."""
    version = re.search(r"plotly\.js \(basic - minified\) v([\d.]+)", LIBRARY.read_text()).group(1)

    assert version == plotly.offline.get_plotlyjs_version()


def test_figures_hold_nothing_that_the_smaller_library_can_not_draw():
    """Lines, points, bars: other kinds of trace would stay blank."""
    text = "".join(path.read_text() for path in PACKAGE.rglob("*.py"))
    kinds = set(re.findall(r"\bgo\.([A-Z]\w+)", text)) - {"Figure", "Layout"}

    assert "Scatter" in kinds
    assert kinds <= DRAWN_BY_IT
