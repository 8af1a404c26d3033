"""A comparison of runs, or the statistics of a table, that a person reads in a terminal."""

from __future__ import annotations

import sys
import unicodedata
from collections.abc import Iterator, Mapping
from typing import Any

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from dashboard.figures.comparison_words import difference_words, judgement_words, value_words
from dashboard.figures.statistic_words import statistics_words, table_statistics_lines
from dashboard.figures.units import SI
from dashboard.figures.words import plain_number

Document = Mapping[str, Any]

_WIDTH_WITHOUT_TERMINAL = 120
_WIDEST_TABLE = 1000
"""Of a table that goes to no terminal: whatever reads it there can break its lines itself."""
_LONGEST_NAME = 40
_KEPT_END = 20
_RUNS_ABREAST = 4
_NOTE = (
    "In brackets the difference to the reference; ≠ beyond what the instruments explain. {shared} "
    "'anew' is the uncertainty with nothing cancelled.\n"
)


def print_comparison(document: Document) -> None:
    """Prints a ``slewtrace.compare/1`` document on standard output.

    Args:
        document: the document.
    """
    console = _console()
    number = {run["run_id"]: n for n, run in enumerate(document["runs"], 1)}
    counted = f"{document['n']} of {len(number)} runs count"
    _say(console, f"Truck {document['runs'][0]['truck']}: {counted}", style="bold")
    _say(console, document["computed"])
    console.print(_runs(document, number, cut=console.is_terminal))
    for found in document["findings"]:
        _say(console, f"{'✖' if found['other_test'] else '▲'} {found['text']}")
    places = list(range(len(number)))
    for first in range(0, len(places), _RUNS_ABREAST):
        console.print(_quantities(document, number, places[first : first + _RUNS_ABREAST]))
    _say(console, _NOTE.format(shared=document["shared"]))
    _say(console, "Sectors, counted from over the rear", style="bold")
    for first in range(0, len(places), 2 * _RUNS_ABREAST):
        console.print(_sectors(document, number, places[first : first + 2 * _RUNS_ABREAST]))
    for title, lines in statistics_words(document, SI):
        _chapter(console, title, lines)
    _say(console, "\n" + "\n".join(document["cautions"]))


def print_statistics(document: Document) -> None:
    """Prints the statistics of a table on standard output.

    Args:
        document: what :func:`~dashboard.repeats.table_statistics.table_statistics` gives.
    """
    console = _console()
    for title, lines in table_statistics_lines(document):
        _chapter(console, title, lines)


def _console() -> Console:
    in_terminal = sys.stdout is not None and sys.stdout.isatty()
    width = None if in_terminal else _WIDEST_TABLE
    return Console(width=width, highlight=False, emoji=False, markup=False)


def _text_width(console: Console) -> int:
    return console.width if console.is_terminal else _WIDTH_WITHOUT_TERMINAL


def _say(console: Console, text: str, *, style: str | None = None) -> None:
    console.print(_plain(text), style=style, width=_text_width(console))


def _chapter(console: Console, title: str, lines: Any) -> None:
    _say(console, title, style="bold")
    for line in lines:
        listed = Table.grid(padding=(0, 1))
        listed.add_row("  ·", _plain(line))
        console.print(listed, width=_text_width(console))


def _plain(text: str) -> Text:
    """Words from files as text and nothing else; thin spaces are no danger."""
    kept = (
        c if c.isprintable() or c == "\n" or unicodedata.category(c) == "Zs" else "�" for c in text
    )
    return Text("".join(kept))


def _short(text: str) -> str:
    """A name cut in its middle: runs of one test differ at its end."""
    if len(text) <= _LONGEST_NAME:
        return text
    return f"{text[: _LONGEST_NAME - _KEPT_END - 1]}…{text[-_KEPT_END:]}"


def _table(*heads: str, numbers: bool = True) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for place, head in enumerate(heads):
        numeral = numbers and place > 0
        table.add_column(
            _plain(head), justify="right" if numeral else "left", no_wrap=numeral and place > 1
        )
    return table


def _runs(document: Document, number: Mapping[str, int], *, cut: bool) -> Table:
    table = _table("#", "run", "test", "start (UTC)", "build", "kit", "verdict", "", numbers=False)
    for run in document["runs"]:
        names = run["run_id"], run["test"], run["build"] or "—", run["kit"]
        run_id, test, build, kit = (_plain(_short(n) if cut else n) for n in names)
        table.add_row(
            str(number[run["run_id"]]),
            run_id,
            test,
            (run["started_utc"] or "not known").replace("T", " ")[:16],
            build,
            kit,
            run["verdict"],
            _plain("; ".join(_standing(document, run))),
        )
    return table


def _standing(document: Document, run: Document) -> Iterator[str]:
    if run["run_id"] == document["against"]:
        yield "reference"
    aside = run["set_aside"]
    if aside is not None:
        by = f", {aside['by']}" if aside["by"] else ""
        yield f"✖ set aside: {aside['reason']} ({aside['written_utc'][:10]}{by})"


def _quantities(document: Document, number: Mapping[str, int], places: list[int]) -> Table:
    """Values, and below each its difference to the reference."""
    runs = document["runs"]
    heads = [
        f"run {number[runs[p]['run_id']]}{' ✖' if runs[p]['set_aside'] else ''}" for p in places
    ]
    table = _table("side", "", *heads)
    quantities = document["quantities"]
    for number_of, quantity in enumerate(quantities, 1):
        cells = [_cell(quantity, quantity["values"][p]) for p in places]
        words = Text(quantity["words"], justify="left")
        at_end = number_of in (len(quantities) // 2, len(quantities))
        table.add_row(quantity["side"], words, *cells, end_section=at_end)
    return table


def _cell(quantity: Document, value: Document) -> Text:
    lines = [value_words(quantity, value, SI)]
    compared = [d for d in quantity["differences"] if d["run_id"] == value["run_id"]]
    for difference in compared:
        words = difference_words(quantity, difference, SI)
        if quantity["unit"] and words != "—":
            lines.append(f"({words})")
        elif not difference["same"] and value["value"] is not None:
            lines.append("(≠)")
        lines += judgement_words(quantity, difference, SI, brief=True)
    cell = _plain("\n".join(lines))
    if value["set_aside"]:
        cell.stylize("strike")
    return cell


def _sectors(document: Document, number: Mapping[str, int], places: list[int]) -> Table:
    runs = document["runs"]
    table = _table("side", "from", "to", *(f"run {number[runs[p]['run_id']]}" for p in places), "")
    for row in document["sectors"]:
        told = [row["percents"][p] for p in places]
        cells = [
            "□" if t["basis"] == "untested" else f"{plain_number(t['percent'])} %" for t in told
        ]
        bounds = [f"{plain_number(row[end])}°" for end in ("from_deg", "to_deg")]
        table.add_row(row["side"], *bounds, *cells, "" if row["same"] else "≠")
    return table
