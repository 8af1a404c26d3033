"""Which runs of the folder are wanted: by truck, verdict and words, as an address can hold it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from dashboard.pages.runs_rows import DONE, STANDINGS, Row
from logger.recording.run import Run

_LONGEST_WORDS = 200
_SEARCHED = ("truck", "test", "id", "start", "right_more", "left_more", "verdict", "findings")


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """What a person wants to see.

    Attributes:
        truck: id of a truck; empty for all.
        verdict: a standing; empty for all.
        find: words that a line must hold, in any order and case.
        everything: whether runs beyond the newest are analysed too.
    """

    truck: str = ""
    verdict: str = ""
    find: str = ""
    everything: bool = False

    @property
    def address(self) -> str:
        """What stands in the list's address for it."""
        words = {"truck": self.truck, "verdict": self.verdict, "find": self.find}
        words |= {"all": "1"} if self.everything else {}
        asked = {k: v for k, v in words.items() if v}
        return f"/?{urlencode(asked)}" if asked else "/"

    def of_truck(self, runs: Iterable[Run]) -> list[Run]:
        """The runs of the truck."""
        return [r for r in runs if not self.truck or r.header.test.truck.id == self.truck]

    def rows(self, rows: Iterable[Row]) -> list[Row]:
        """The lines with the verdict and the words."""
        wanted = self.find.casefold().split()
        return [
            row
            for row in rows
            if (not self.verdict or (row["state"] == DONE and row["verdict"] == self.verdict))
            and all(word in _searched(row) for word in wanted)
        ]


def read_choice(words: Mapping[str, Any]) -> Choice:
    """What an address asks for; a verdict that there is not is none."""
    verdict = str(words.get("verdict") or "")
    return Choice(
        truck=str(words.get("truck") or ""),
        verdict=verdict if verdict in STANDINGS else "",
        find=str(words.get("find") or "")[:_LONGEST_WORDS],
        everything=bool(words.get("all")),
    )


def trucks_of(runs: Sequence[Run]) -> list[str]:
    """The trucks that were tested, each once."""
    return sorted({r.header.test.truck.id for r in runs}, key=str.casefold)


def _searched(row: Row) -> str:
    return " ".join(str(row.get(key, "")) for key in _SEARCHED).casefold()
