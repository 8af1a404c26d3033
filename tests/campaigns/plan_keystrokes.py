"""How long the page Plan takes to answer a keystroke: the form checked, the plan made and told.

Types a test's masses and names anew, character by character, as the browser would send them at
each pause, without and with the truck model being worked out beside it in another thread.

Usage: python -m tests.campaigns.plan_keystrokes --keys 300
"""

from __future__ import annotations

import argparse
import statistics
import threading
import time
import tomllib

from dashboard.figures.units import SI
from dashboard.pages.plan_checks import check_values, plan_numbers
from dashboard.pages.plan_figures import drawn_plan
from dashboard.pages.plan_model import NewestOnly
from dashboard.test_form.example import EXAMPLE_TOML
from dashboard.test_form.filled_in import values_of

_SCREEN = {"scheme": "day", "narrow": False}


def typed(keys):
    """The form's values after each of many keystrokes; every sixth text is not right yet."""
    shown = values_of(tomllib.loads(EXAMPLE_TOML))
    for n in range(keys):
        mass = f"{1300 + n // 6} kg"
        yield shown | {"load/parts/0/mass": mass[: max(1, n % 6)] if n % 6 == 5 else mass}


def answered_s(values):
    """Seconds from a form to its numbers, and from those to its figures; None where not right."""
    asked = {"values": values, "text": EXAMPLE_TOML, "name": "test.toml", "chart": None}
    start = time.perf_counter()
    checked, plan = check_values(asked)
    if plan is None:
        return time.perf_counter() - start, None
    list(plan_numbers(plan, SI, checked, chart_open=False))
    told = time.perf_counter()
    drawn_plan({"toml": checked.toml.text, "chart": ""}, _SCREEN, SI)
    return told - start, time.perf_counter() - told


def words(name, seconds):
    """Median, 95th percentile and worst, ms."""
    ms = sorted(1000 * s for s in seconds)
    return (
        f"{name}: median {statistics.median(ms):.0f} ms, p95 {ms[int(0.95 * len(ms))]:.0f} ms, "
        f"worst {ms[-1]:.0f} ms of {len(ms)}"
    )


def main():
    """Prints the figures."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--keys", type=int, default=300)
    keys = options.parse_args().keys
    for _ in map(answered_s, typed(12)):
        pass  # the first calls import and compile
    for beside in (False, True):
        stop, newest = threading.Event(), NewestOnly()

        def foresee(stop=stop, newest=newest):
            number = 0
            while not stop.is_set():
                number += 1
                toml = EXAMPLE_TOML.replace("1360", f"{1300 + number % 200}.5")
                newest.work_out({"toml": toml, "chart": "", "page": "p", "number": number})

        thread = threading.Thread(target=foresee, daemon=True)
        if beside:
            thread.start()
        found = [answered_s(values) for values in typed(keys)]
        stop.set()
        name = "with the model worked out beside" if beside else "alone"
        print(words(f"form to numbers, {name}", [s for s, _ in found]))
        print(words(f"numbers to figures, {name}", [s for _, s in found if s is not None]))


if __name__ == "__main__":
    main()
