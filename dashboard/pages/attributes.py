"""Attributes of HTML whose names are no Python names."""

from __future__ import annotations

from typing import Any


def aria(**words: str) -> dict[str, Any]:
    """What assistive technology is told: ``aria(label="Pages")``."""
    return {f"aria-{name}": text for name, text in words.items()}


def data(**words: str) -> dict[str, Any]:
    """What scripts and style sheets read: ``data(seek="12.5")``."""
    return {f"data-{name}": text for name, text in words.items()}
