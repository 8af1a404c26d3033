"""Which files of a listing are runs, and by what it shows that one has changed."""

from __future__ import annotations

from collections.abc import Mapping

from logger.recording.corrections import SUFFIX as CORRECTIONS

__all__ = ["CORRECTIONS", "RUN_SUFFIX", "run_stamps"]

RUN_SUFFIX = ".parquet"


def run_stamps(files: Mapping[str, str]) -> dict[str, str]:
    """Runs among files, by path in order, each with its own stamp and that of its corrections."""
    stamps = {}
    for name in sorted(files):
        if name.endswith(RUN_SUFFIX):
            corrections = files.get(name.removesuffix(RUN_SUFFIX) + CORRECTIONS)
            stamps[name] = files[name] + (f" + {corrections}" if corrections else "")
    return stamps
