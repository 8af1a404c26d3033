"""Runs a campaign small, for the tests: the same code as in full size."""

from __future__ import annotations

import json
import subprocess
import sys


def figures_of(name, *words):
    """Runs ``tests.campaigns.<name>`` with its options; the figures that it prints.

    Raises:
        AssertionError: where it ended in another way than with figures.
    """
    done = subprocess.run(
        [sys.executable, "-m", f"tests.campaigns.{name}", *map(str, words)],
        capture_output=True,
        text=True,
        check=False,
        timeout=110,
    )
    if done.returncode not in (0, 1) or not done.stdout.startswith("{"):
        raise AssertionError(f"{name} ended with {done.returncode}: {done.stderr}")
    return json.loads(done.stdout)
