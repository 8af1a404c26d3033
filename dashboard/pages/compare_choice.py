"""What is to be compared: which runs, against which, within what; as an address holds it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from dashboard.pages.page import number_of
from dashboard.repeats.run_comparison import Asked

MOST_RUNS = 60
_MOST_LIMIT_DEG = 180.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """What a person wants compared.

    Attributes:
        runs: ids of the runs, in the order in which they are numbered.
        against: id of the reference; empty for the first that counts.
        limit_deg: practical limit of a difference between first lifts, deg; None without.
        anyway: whether runs that are no repeats are compared all the same.
    """

    runs: tuple[str, ...] = ()
    against: str = ""
    limit_deg: float | None = None
    anyway: bool = False

    @property
    def asked(self) -> Asked:
        """What is asked of the runs."""
        return Asked(against=self.against, limit_deg=self.limit_deg, anyway=self.anyway)

    @property
    def address(self) -> str:
        """What stands in the page's address for it."""
        return compare_address(
            self.runs, against=self.against, limit_deg=self.limit_deg, anyway=self.anyway
        )


def compare_address(
    runs: Iterable[str],
    *,
    against: str = "",
    limit_deg: float | None = None,
    anyway: bool = False,
) -> str:
    """The address of a comparison.

    Args:
        runs: ids of the runs.
        against: id of the reference; empty for the first.
        limit_deg: practical limit, deg.
        anyway: whether runs that are no repeats are compared all the same.
    """
    words = {
        "runs": ",".join(runs),
        "against": against,
        "limit": "" if limit_deg is None else f"{limit_deg:g}",
        "anyway": "1" if anyway else "",
    }
    asked = {key: text for key, text in words.items() if text}
    return f"/compare?{urlencode(asked, safe=',')}" if asked else "/compare"


def read_comparison(words: Mapping[str, Any]) -> Comparison:
    """What an address or the page's fields ask for; what makes no sense is left out."""
    told = words.get("runs") or ()
    ids = told.split(",") if isinstance(told, str) else told
    runs = tuple(dict.fromkeys(i for i in map(str, ids) if i))[:MOST_RUNS]
    against = str(words.get("against") or "")
    limit = words.get("limit")
    limit_deg = number_of(str(limit).strip().removesuffix("°").strip()) if limit else None
    return Comparison(
        runs=runs,
        against=against if against in runs else "",
        limit_deg=limit_deg if limit_deg is not None and 0 < limit_deg <= _MOST_LIMIT_DEG else None,
        anyway=bool(words.get("anyway")),
    )
