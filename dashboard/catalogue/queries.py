"""Questions to a catalogue, answered by DuckDB.

The tables are taken into a database in memory when the catalogue is opened, so that answers fit
together whatever is written meanwhile. Names of trucks, builds and kits come from files that
anyone may have written: they reach the database as values, never as words of SQL, and the
database can reach no file.
"""

# ruff: noqa: S608 - what is put into statements are names of our own columns and fixed conditions

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, get_args

import pyarrow as pa

from dashboard.catalogue.columns import RUNS, SECTORS, TABLES
from dashboard.catalogue.places import Place, catalogue_place
from dashboard.catalogue.snapshot import read_snapshot, snapshot_stamp
from logger.errors import BadInput

Sorted = Literal["truck", "crane", "test", "build", "kit", "verdict"]
"""Columns by which runs are told apart."""

Row = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Filters:
    """Which runs are asked for; an empty tuple and None leave everything in.

    Attributes:
        trucks: ids of trucks.
        builds: builds; "" stands for runs whose test file names none.
        kits: ids of rigs.
        from_utc: runs that started at or after this; ISO 8601, a date will do.
        until_utc: runs that started before this.
    """

    trucks: tuple[str, ...] = ()
    builds: tuple[str, ...] = ()
    kits: tuple[str, ...] = ()
    from_utc: str | None = None
    until_utc: str | None = None

    def clause(self) -> tuple[str, list[Any]]:
        """A condition with its values. Runs without a known start match no span of dates."""
        conditions: list[str] = []
        values: list[Any] = []
        for column, wanted in (("truck", self.trucks), ("build", self.builds), ("kit", self.kits)):
            if wanted:
                conditions.append(f"list_contains(?, {column})")
                values.append(list(wanted))
        for sign, when in ((">=", self.from_utc), ("<", self.until_utc)):
            if when is not None:
                conditions.append(f"started_utc {sign} ?")
                values.append(when)
        return " AND ".join(conditions) or "true", values


EVERYTHING = Filters()


class Catalogue:
    """A catalogue as it stood when it was opened. Safe to use from several threads.

    Args:
        place: the catalogue's folder.

    Attributes:
        method_version: of the results that its rows come from.
        waiting: how many files were not analysed yet when it was written.
        stamp: changes whenever the catalogue on the disk does; see :func:`catalogue_stamp`.

    Raises:
        BadInput: in one line, where there is none, or it is damaged.
    """

    def __init__(self, place: Place) -> None:
        snapshot = read_snapshot(place)
        if snapshot is None:
            raise BadInput(
                where=place.words,
                what="holds no catalogue",
                would_do="make it with `slewtrace fleet FOLDER`",
            )
        self.method_version = snapshot.method_version
        self.waiting = snapshot.waiting
        self.stamp = snapshot.stamp
        import duckdb  # noqa: PLC0415 - a tenth of a second that a folder without one need not pay

        self._database = duckdb.connect(
            config={"autoinstall_known_extensions": "false", "autoload_known_extensions": "false"}
        )
        for name in TABLES:
            self._database.register("taken", snapshot.tables[name])
            self._database.execute(f"CREATE TABLE {name} AS SELECT * FROM taken")
            self._database.unregister("taken")
        self._database.execute("SET enable_external_access = false")
        self._database.execute("SET lock_configuration = true")

    def count(self, filters: Filters = EVERYTHING) -> int:
        """How many runs there are."""
        where, values = filters.clause()
        return int(self._rows(f"SELECT count(*) FROM runs WHERE {where}", values)[0][0])

    def runs(
        self,
        filters: Filters = EVERYTHING,
        *,
        columns: Sequence[str] | None = None,
        newest_first: bool = False,
        limit: int | None = None,
        offset: int = 0,
    ) -> pa.Table:
        """Rows of runs, by their start, then by run id; an unknown start comes last.

        Args:
            filters: which runs.
            columns: of ``columns.RUNS``; all by default.
            newest_first: the newest first, else the oldest.
            limit: at most so many.
            offset: leaves out so many before.

        Raises:
            ValueError: for a column that runs don't have.
        """
        where, values = filters.clause()
        order = f"started_utc {'DESC' if newest_first else 'ASC'} NULLS LAST, run_id"
        return self._table(
            f"SELECT {_listed(columns, RUNS)} FROM runs WHERE {where} ORDER BY {order} "
            "LIMIT ? OFFSET ?",
            [*values, limit, offset],
        )

    def sectors(
        self, filters: Filters = EVERYTHING, *, columns: Sequence[str] | None = None
    ) -> pa.Table:
        """Rows of sectors, by their run's start, run id, side and angle.

        Raises:
            ValueError: for a column that sectors don't have.
        """
        where, values = filters.clause()
        return self._table(
            f"SELECT {_listed(columns, SECTORS)} FROM sectors WHERE {where} "
            "ORDER BY started_utc NULLS LAST, run_id, side, from_deg",
            values,
        )

    def sector_counts(self, filters: Filters = EVERYTHING) -> pa.Table:
        """How many runs have a sector of one side, stretch and percentage, in any order.

        Angles and percentages are rounded to steps, so thousands of runs make some hundred rows.

        Returns:
            ``side``, ``from_deg``, ``to_deg``, ``percent`` and ``runs``.
        """
        where, values = filters.clause()
        return self._table(
            "SELECT side, from_deg, to_deg, percent, count(*) AS runs FROM sectors "
            f"WHERE {where} GROUP BY ALL",
            values,
        )

    def find(self, run_id: str) -> Row | None:
        """The row of a run; None where the catalogue has none of that id."""
        found = self._table("SELECT * FROM runs WHERE run_id = ?", [run_id]).to_pylist()
        return found[0] if found else None

    def distinct(self, column: Sorted, filters: Filters = EVERYTHING) -> list[tuple[str, int]]:
        """The values of a column with how many runs have each, in order of the values.

        Raises:
            ValueError: for another column.
        """
        if column not in get_args(Sorted):
            raise ValueError(f"runs are not told apart by {column!r}")
        where, values = filters.clause()
        return self._rows(
            f"SELECT {column}, count(*) FROM runs WHERE {where} GROUP BY ALL ORDER BY {column}",
            values,
        )

    def span_utc(self, filters: Filters = EVERYTHING) -> tuple[str | None, str | None]:
        """Start of the first run and of the last; None without any known."""
        where, values = filters.clause()
        first, last = self._rows(
            f"SELECT min(started_utc), max(started_utc) FROM runs WHERE {where}", values
        )[0]
        return first, last

    def histogram(
        self, column: str, filters: Filters = EVERYTHING, *, width: float
    ) -> list[tuple[float, int]]:
        """How many runs fall into each bin of a number; runs without it in none.

        Args:
            column: a column of ``columns.RUNS`` that holds numbers.
            filters: which runs.
            width: of a bin, in the column's unit; bins begin at multiples of it.

        Returns:
            (start of the bin, runs), bins without any left out, in order.

        Raises:
            ValueError: for another column, or a width that is not positive.
        """
        if column not in RUNS.names or not pa.types.is_floating(RUNS.field(column).type):
            raise ValueError(f"runs have no number {column!r}")
        if not width > 0:
            raise ValueError(f"bins of width {width}")
        where, values = filters.clause()
        return self._rows(
            f"SELECT floor({column} / ?) * ? AS bin, count(*) FROM runs "
            f"WHERE {where} AND {column} IS NOT NULL GROUP BY bin ORDER BY bin",
            [width, width, *values],
        )

    def set_aside(self) -> pa.Table:
        """Files that could not be analysed, each with its reason, by path."""
        return self._table("SELECT * FROM set_aside ORDER BY path", [])

    def files(self) -> pa.Table:
        """What each file was when it was last looked at, by path."""
        return self._table("SELECT * FROM files ORDER BY path", [])

    def _table(self, sql: str, values: list[Any]) -> pa.Table:
        with self._database.cursor() as cursor:
            return cursor.sql(sql, params=values).to_arrow_table()

    def _rows(self, sql: str, values: list[Any]) -> list[tuple[Any, ...]]:
        with self._database.cursor() as cursor:
            return cursor.execute(sql, values).fetchall()


def open_catalogue(runs: str | Path) -> Catalogue:
    """The catalogue that lies beside the runs of a folder or bucket.

    Raises:
        BadInput: in one line, where there is none, or it is damaged.
    """
    return Catalogue(catalogue_place(runs))


def catalogue_stamp(runs: str | Path) -> str:
    """What stands for the catalogue of now, to know whether one that is open is still the one.

    Returns:
        The ``stamp`` that :class:`Catalogue` would have; empty where there is none.
    """
    return snapshot_stamp(catalogue_place(runs))


def _listed(columns: Sequence[str] | None, schema: pa.Schema) -> str:
    unknown = [c for c in columns or () if c not in schema.names]
    if unknown:
        raise ValueError(f"no column {unknown[0]!r}")
    return ", ".join(columns or schema.names)
