"""What stands on every result, page and panel, word for word the same."""

from __future__ import annotations

SAFETY_SENTENCES = (
    "Advisory instrument: no safety function, no performance level.",
    "It replaces neither the competent person, the maker's manual nor the local code.",
)
SAFETY_WORDS = " ".join(SAFETY_SENTENCES)
