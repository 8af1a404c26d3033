"""Which program this is, for a run's header and ``--version``."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version


def software_name() -> str:
    """Name and version of this program."""
    try:
        return f"slewtrace {version('slewtrace')}"
    except PackageNotFoundError:
        return "slewtrace (not installed)"
