"""The fields by which runs of a fleet are chosen, described for the browser that draws them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from dashboard.catalogue.queries import Catalogue, Sorted
from dashboard.figures.fleet_quantities import FIRST, QUANTITIES
from dashboard.figures.units import Units
from dashboard.pages.fleet_choice import NO_BUILD, FleetChoice

FORM, CHART_FORM = "fleet-form", "fleet-chart-form"
"""Where the fields stand: which runs, and what is charted of them."""
_MOST = 2_000
"""Trucks that a list offers: beyond them those with the most runs."""
_LONGEST = 60
Field = dict[str, Any]


def form_shape(catalogue: Catalogue, choice: FleetChoice, units: Units) -> dict[str, Any]:
    """The fields as they stand.

    Args:
        catalogue: says which trucks, builds and kits there are.
        choice: what stands in the fields.
        units: what the practical limit is read in.
    """
    quantity = choice.quantity
    limit = quantity.of(choice.practical_limit, units)
    quantities = [(q.column, q.title) for q in QUANTITIES.values()]
    return {
        "quantity": choice.column,
        "usual": FIRST,
        "fields": [
            _select(
                "truck",
                "Truck",
                [("", "All trucks"), *_found(catalogue, "truck", choice.truck)],
                choice.truck,
            ),
            _select(
                "build",
                "Build",
                [("", "All builds"), *_builds(catalogue, choice.build)],
                choice.build,
            ),
            _select(
                "kit", "Kit", [("", "All kits"), *_found(catalogue, "kit", choice.kit)], choice.kit
            ),
            _field("from", "From, UTC", "date", choice.words.get("from", "")),
            _field("to", "To, inclusive", "date", choice.words.get("to", "")),
            _select("quantity", "Charted", quantities, choice.column) | {"usual": FIRST},
            _field("limit", f"Practical limit, {quantity.unit(units)}", "number", f"{limit:.6g}")
            | {
                "size": quantity.si(1.0, units),
                "exact": choice.words.get("limit", ""),
            },
        ],
    }


def _field(key: str, label: str, kind: str, value: str) -> Field:
    place = CHART_FORM if key in ("quantity", "limit") else FORM
    return {"key": key, "label": label, "kind": kind, "value": value, "usual": "", "place": place}


def _select(key: str, label: str, options: Iterable[tuple[str, str]], value: str) -> Field:
    return _field(key, label, "select", value) | {"options": [list(option) for option in options]}


def _builds(catalogue: Catalogue, chosen: str) -> list[tuple[str, str]]:
    return [
        (value or NO_BUILD, words if value else NO_BUILD)
        for value, words in _found(catalogue, "build", "" if chosen == NO_BUILD else chosen)
    ]


def _found(catalogue: Catalogue, column: Sorted, chosen: str) -> list[tuple[str, str]]:
    """What a column holds, in order, with the value that is chosen even where nothing has it."""
    found = catalogue.distinct(column)
    if len(found) > _MOST:
        found = sorted(sorted(found, key=lambda f: -f[1])[:_MOST])
    if chosen and chosen not in dict(found):
        found = [(chosen, 0), *found]
    return [
        (value, f"{_short(value)}  ({count:,})".replace(",", "\u202f")) for value, count in found
    ]


def _short(text: str) -> str:
    """On one line, as long as a field is wide; an option can't wrap."""
    plain = "".join(c for c in text if c.isprintable())
    return plain if len(plain) <= _LONGEST else f"{plain[: _LONGEST - 1]}…"
