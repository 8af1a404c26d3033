"""Tables of repeat tests for tests: published ones and made ones."""

from __future__ import annotations

import json
from pathlib import Path

from dashboard.repeats.measurements import Measurements

CHECK_VALUES = Path(__file__).parent / "check_values"
PUBLISHED = json.loads((CHECK_VALUES / "repeat_tests.json").read_text())
AIAG = json.loads((CHECK_VALUES / "grr_aiag.json").read_text())


def table(rows):
    """Measurements from rows of item, group and value."""
    items, groups, values = zip(*rows, strict=True)
    return Measurements(items=items, groups=groups, values=tuple(float(v) for v in values))


def of_one_item(by_group, item="truck"):
    """Measurements of one item from a mapping of group to values."""
    return table([(item, group, v) for group, values in by_group.items() for v in values])


def of_cells(cells):
    """Measurements from nested sequences: items, in them groups, in them repeats."""
    return table(
        [
            (f"item {i}", f"group {g}", v)
            for i, groups in enumerate(cells)
            for g, repeats in enumerate(groups)
            for v in repeats
        ]
    )


def crossed(rows, repeats=3):
    """Measurements of a published gauge study: an item a row, its groups' repeats side by side."""
    return of_cells(
        [[row[at : at + repeats] for at in range(0, len(row), repeats)] for row in rows]
    )
