"""Readings as an Excel workbook: a sheet of facts each, then a sheet for each table of readings.

A sheet ends at 1,048,576 rows, so long tables go on in a further sheet; a workbook of many
millions of rows is refused, since nobody could open it. Numbers are numbers, and text is text: a
cell that holds some is no formula, and one that looks like a formula is marked as text, so that it
becomes none when somebody edits it.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from logger.errors import BadInput
from logger.recording.export.tables import Column, Export, FactTable, Piece, ReadingTable
from logger.recording.export.text_cells import looks_like_formula, plain_text
from logger.recording.export.wall_time import WallTime

if TYPE_CHECKING:
    from xlsxwriter import Workbook
    from xlsxwriter.worksheet import Worksheet

ROWS_IN_SHEET = 1_048_576
HEAD_ROWS = 2
MOST_ROWS = 3_000_000
_LONGEST_SHEET_NAME = 31
_NOT_IN_SHEET_NAMES = str.maketrans(dict.fromkeys("[]:*?/\\'", "_"))
_WIDTHS = {"utc": 31, "local": 36, "text": 90, "what to do": 60, "value": 30}
_TIMES = (
    Column(name="t_s", unit="s"),
    Column(name="utc", unit="ISO 8601"),
    Column(name="local", unit="ISO 8601"),
)


def write_xlsx(path: Path, export: Export) -> None:
    """Writes the workbook.

    Raises:
        BadInput: where there are more readings than a workbook can be of use with.
        RunUnreadable: where the samples are damaged.
        OSError: where the disk refuses.
    """
    from xlsxwriter import Workbook  # noqa: PLC0415 - only this format needs it
    from xlsxwriter.exceptions import FileCreateError  # noqa: PLC0415

    if export.rows > MOST_ROWS:
        raise BadInput(
            where=".xlsx",
            what=f"{export.rows} readings are more than a workbook opens with "
            f"({MOST_ROWS} here, {ROWS_IN_SHEET} in a sheet)",
            would_do="take --every, --from and --to, or fewer --channels; or export to .parquet",
        )
    # Rows wait in files until the workbook is closed; they go with the folder, come what may.
    with tempfile.TemporaryDirectory(dir=path.parent, prefix=".rows-") as rows:
        book = Workbook(str(path), {"constant_memory": True, "tmpdir": rows})
        try:
            book.set_properties({"title": plain_text(str(export.about["run_id"]))[:255]})
            _Sheets(book).write(export)
        finally:
            try:
                book.close()
            except FileCreateError as exc:
                raise OSError(str(exc)) from exc
            finally:
                _let_go(book)


def _let_go(book: Workbook) -> None:
    """Closes the files of rows, which a workbook that could not be finished keeps open."""
    for sheet in book.worksheets():
        if sheet.row_data_fh is not None:
            with suppress(OSError):  # what was not written yet is refused once more
                sheet.row_data_fh.close()


class _Sheets:
    """The sheets of one workbook."""

    def __init__(self, book: Workbook) -> None:
        self._book = book
        self._names: set[str] = set()
        self._head = book.add_format({"bold": True, "bottom": 1})
        self._unit = book.add_format({"italic": True, "bottom": 1})
        text = {"text_wrap": True, "valign": "top"}
        self._text = book.add_format(text)
        self._no_formula = book.add_format(text | {"quote_prefix": True})

    def write(self, export: Export) -> None:
        for facts in export.facts:
            self._write_facts(facts)
        for table in export.readings:
            self._write_readings(table, export.wall)

    def _new(self, name: str, columns: tuple[Column, ...]) -> Worksheet:
        sheet = self._book.add_worksheet(self._free_name(name))
        for number, column in enumerate(columns):
            width = _WIDTHS.get(column.name, max(12, min(40, len(column.name) + 4)))
            sheet.set_column(number, number, width)
        sheet.freeze_panes(HEAD_ROWS, 0)
        for number, column in enumerate(columns):
            sheet.write_string(0, number, plain_text(column.name), self._head)
        for number, column in enumerate(columns):
            sheet.write_string(1, number, plain_text(column.unit), self._unit)
        return sheet

    def _free_name(self, name: str) -> str:
        base = plain_text(name).translate(_NOT_IN_SHEET_NAMES)[: _LONGEST_SHEET_NAME - 4]
        free, number = base, 2
        while free.lower() in self._names or free.lower() == "history":
            free, number = f"{base} {number}", number + 1
        self._names.add(free.lower())
        return free

    def _write_facts(self, table: FactTable) -> None:
        sheet = self._new(table.name, table.columns)
        for row, cells in enumerate(table.rows, start=HEAD_ROWS):
            for number, cell in enumerate(cells):
                if isinstance(cell, str):
                    self._write_text(sheet, row, number, plain_text(cell))
                elif isinstance(cell, bool):
                    sheet.write_boolean(row, number, cell)
                elif cell is not None and math.isfinite(cell):
                    sheet.write_number(row, number, cell)

    def _write_text(self, sheet: Worksheet, row: int, number: int, text: str) -> None:
        look = self._no_formula if looks_like_formula(text) else self._text
        sheet.write_string(row, number, text, look)

    def _write_readings(self, table: ReadingTable, wall: WallTime) -> None:
        columns = (*_TIMES, *table.columns)
        sheet, row = self._new(table.name, columns), HEAD_ROWS
        for piece in table.pieces():
            for cells in _rows(piece, wall):
                if row == ROWS_IN_SHEET:
                    sheet, row = self._new(table.name, columns), HEAD_ROWS
                _write_row(sheet, row, cells)
                row += 1


def _rows(piece: Piece, wall: WallTime) -> Iterator[tuple[Any, ...]]:
    utc, local = (text.to_pylist() for text in wall.texts(piece.t_ns))
    seconds = (piece.t_ns / 1e9).tolist()
    return zip(seconds, utc, local, *(v.tolist() for v in piece.values), strict=True)


def _write_row(sheet: Worksheet, row: int, cells: tuple[Any, ...]) -> None:
    seconds, utc, local, *values = cells
    sheet.write_number(row, 0, seconds)
    if utc:
        sheet.write_string(row, 1, utc)
        sheet.write_string(row, 2, local)
    for number, value in enumerate(values, start=len(_TIMES)):
        if math.isfinite(value):
            sheet.write_number(row, number, value)
