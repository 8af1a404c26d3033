"""Which name was meant: the nearest one, for a hint."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches

_LIKE_ENOUGH = 0.6


def nearest_name(name: str, among: Iterable[str]) -> str | None:
    """The name most like another, or None where none is like it.

    Args:
        name: what is sought.
        among: what there is.
    """
    by_folded = {_folded(other): other for other in sorted(among)}
    close = get_close_matches(_folded(name), by_folded, n=1, cutoff=_LIKE_ENOUGH)
    return by_folded[close[0]] if close else None


def _folded(name: str) -> str:
    return name.casefold().replace("-", "_").replace("/", "_")
