"""Which runs of a fleet are asked for and what is charted of them, as an address can hold it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from urllib.parse import urlencode

from dashboard.catalogue.queries import Filters
from dashboard.figures.fleet_quantities import FIRST, QUANTITIES, Quantity
from dashboard.pages.page import number_of

NO_BUILD = "(no build)"
"""What a choice calls runs whose test file names no build."""
KINDS = ("all", "signals", "missing")
"""Which rows a table shows: all runs, those with a signal, those without a value."""
_LONGEST = 2_000
_LARGEST_LIMIT = 1e9


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetChoice:
    """What a person wants to see of a fleet.

    Attributes:
        truck: id of a truck; empty for all.
        build: a build, or :data:`NO_BUILD`; empty for all.
        kit: id of a rig; empty for all.
        since: the first day, inclusive, UTC; None for no bound.
        until: the last day, inclusive, UTC; None for no bound.
        column: of the quantity that is charted.
        limit: the practical limit of a difference between builds, in the column's unit; None for
            the one that is proposed.
        rows: which rows the table shows, one of :data:`KINDS`.
        page: of the table, from 1.
    """

    truck: str = ""
    build: str = ""
    kit: str = ""
    since: date | None = None
    until: date | None = None
    column: str = FIRST
    limit: float | None = None
    rows: str = "all"
    page: int = 1

    @property
    def quantity(self) -> Quantity:
        """What is charted."""
        return QUANTITIES[self.column]

    @property
    def practical_limit(self) -> float:
        """The limit that holds, in the column's unit."""
        return self.quantity.limit if self.limit is None else self.limit

    @property
    def narrowed(self) -> bool:
        """Whether any run is left out."""
        return bool(self.truck or self.build or self.kit or self.since or self.until)

    @property
    def filters(self) -> Filters:
        """The same for the catalogue."""
        build = "" if self.build == NO_BUILD else self.build
        return Filters(
            trucks=(self.truck,) if self.truck else (),
            builds=(build,) if self.build else (),
            kits=(self.kit,) if self.kit else (),
            from_utc=self.since.isoformat() if self.since else None,
            until_utc=_day_after(self.until) if self.until else None,
        )

    @property
    def words(self) -> dict[str, str]:
        """What stands in its address, by key; what is as usual is left out."""
        said = {
            "truck": self.truck,
            "build": self.build,
            "kit": self.kit,
            "from": self.since.isoformat() if self.since else "",
            "to": self.until.isoformat() if self.until else "",
            "quantity": "" if self.column == FIRST else self.column,
            "limit": "" if self.limit is None else f"{self.limit:.6g}",
            "rows": "" if self.rows == "all" else self.rows,
            "page": "" if self.page == 1 else str(self.page),
        }
        return {key: value for key, value in said.items() if value}

    @property
    def address(self) -> str:
        """The page's address for it."""
        return f"/fleet?{urlencode(self.words)}" if self.words else "/fleet"

    def at_page(self, page: int) -> FleetChoice:
        """The same at another page of the table."""
        return replace(self, page=page)

    def of_rows(self, rows: str) -> FleetChoice:
        """The same with other rows in the table."""
        return replace(self, rows=rows, page=1)


EVERYTHING = FleetChoice()


def read_fleet_choice(words: Mapping[str, str]) -> FleetChoice:
    """What an address asks for; what makes no sense is left out.

    Args:
        words: by key, as :attr:`FleetChoice.words` gives them.
    """
    column = words.get("quantity", FIRST)
    limit, page = number_of(words.get("limit")), words.get("page", "")
    rows = words.get("rows", "all")
    return FleetChoice(
        truck=words.get("truck", "")[:_LONGEST],
        build=words.get("build", "")[:_LONGEST],
        kit=words.get("kit", "")[:_LONGEST],
        since=_day(words.get("from")),
        until=_day(words.get("to")),
        column=column if column in QUANTITIES else FIRST,
        limit=limit if limit is not None and 0 < limit <= _LARGEST_LIMIT else None,
        rows=rows if rows in KINDS else "all",
        page=int(page) if page.isascii() and page.isdigit() and len(page) < 9 and int(page) else 1,
    )


def _day(text: str | None) -> date | None:
    try:
        return date.fromisoformat(text or "")
    except ValueError:
        return None


def _day_after(day: date) -> str | None:
    """The next day; None after the calendar's last."""
    return None if day == date.max else (day + timedelta(days=1)).isoformat()
