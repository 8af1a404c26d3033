"""Tables of these notes that are computed, by the formulas that the program itself uses."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np

from dashboard.capacity.planning.slew_rate import (
    CLOCK_U_S,
    rate_by_contacts_dps,
    rate_by_swing_dps,
)
from dashboard.capacity.proof.evidence import SlewRecord
from dashboard.capacity.proof.quasi_static import swing_period_s
from dashboard.capacity.proof.slew_angle import read_angle
from dashboard.capacity.uncertainty.tape_measure import tape_mpe_m
from logger.readings.bins import SLICE_NS, BinMedian
from logger.readings.calibration import Calibration
from logger.sources.uptime_questions import BITS_PER_BYTE

NOTES = Path(__file__).parents[1]
PACK_BYTES = 100
"""Length that the notes reckon with: the pack of the README's example, signed, is as long."""


def slew_resolution() -> list[tuple[str, ...]]:
    """What a step of an encoder is worth: an angle, and a place on the ground at 4 m."""
    rows = [
        ("periods in a turn", "counts in a turn", "`scale`, deg", "share of `u`, deg", "at 4 m")
    ]
    for periods, gear in ((256, 1), (512, 1), (1024, 1), (2500, 1), (512, 5), (1024, 5)):
        counts = 4 * periods * gear
        step_deg = Calibration(coefficients=(0.0, 360 / counts)).step
        rows.append(
            (
                f"{periods}" + (f", geared {gear} : 1" if gear > 1 else ""),
                f"{counts}",
                f"{step_deg:.4g}°",
                f"{_left_by_a_step_deg(step_deg):.2g}°",
                f"{4000 * math.radians(step_deg):.1f} mm",
            )
        )
    return rows


def _left_by_a_step_deg(step_deg: float) -> float:
    """Standard uncertainty that the budget of a lift's angle gives to an encoder's step, deg."""
    t_ns = np.arange(0, 2_000_000_000, 20_000_000)
    angle_deg = np.full(t_ns.size, step_deg)
    record = SlewRecord(
        t_ns=t_ns,
        slew_deg=angle_deg,
        bins=BinMedian(SLICE_NS).feed(t_ns, angle_deg),
        step_deg=step_deg,
        u_deg=0.0,
    )
    return math.hypot(*(part.u for part in read_angle(record, 1_000_000_000).inputs))


def wire_time() -> list[tuple[str, ...]]:
    """How long a pack is on the wire, and how many fit in a second."""
    rows = [("baud", f"a pack of {PACK_BYTES} bytes takes", "packs a second, at most")]
    for baud in (9600, 19_200, 38_400, 57_600, 115_200, 230_400):
        seconds = PACK_BYTES * BITS_PER_BYTE / baud
        rows.append((f"{baud}", f"{1000 * seconds:.3g} ms", f"{int(1 / seconds)}"))
    return rows


def swing() -> list[tuple[str, ...]]:
    """How slowly a load swings, and how gently a slew must begin."""
    rows = [("rope, tip to load", "one swing takes", "abrupt start at most, for 1° of swing")]
    for length_m in (2.0, 4.0, 6.0, 8.0, 12.0):
        period_s = swing_period_s(length_m)
        rows.append(
            (
                f"{length_m:g} m",
                f"{period_s:.1f} s",
                f"{rate_by_swing_dps(1.0, period_s=period_s):.1f}°/s",
            )
        )
    return rows


def contact_rate() -> list[tuple[str, ...]]:
    """How fast one may slew for a contact's rate to tell the angle."""
    rows = [("state sent", "for 0.1° at most", "for 0.5° at most")]
    for rate_hz in (10.0, 50.0, 100.0, 200.0):
        speeds = [rate_by_contacts_dps(deg, contact_rate_hz=rate_hz) for deg in (0.1, 0.5)]
        rows.append((f"{rate_hz:g} times a second", *(f"{s:.1f}°/s" for s in speeds)))
    assert CLOCK_U_S == 0.005  # noqa: S101 - the text above the table says so
    return rows


def tape() -> list[tuple[str, ...]]:
    """How far a tape may be wrong."""
    rows = [("length", "class I", "class II", "class III")]
    for length_m in (3.0, 5.0, 8.0):
        errors = [1000 * tape_mpe_m(c, length_m) for c in ("I", "II", "III")]
        rows.append((f"{length_m:g} m", *(f"± {e:.1f} mm" for e in errors)))
    return rows


TABLES = {f.__name__: f for f in (slew_resolution, wire_time, swing, contact_rate, tape)}


def in_markdown(rows: list[tuple[str, ...]]) -> str:
    """Rows as a table of Markdown."""
    head, *rest = (f"| {' | '.join(row)} |" for row in rows)
    return "\n".join((head, "|" + "---|" * len(rows[0]), *rest))


def with_tables(text: str) -> str:
    """A page with its computed tables as they are now.

    A table stands between ``<!-- computed: name -->`` and ``<!-- end -->``.

    Raises:
        KeyError: where a page asks for a table that there is not.
    """
    before, *parts = text.split("<!-- computed: ")
    pieces = [before]
    for part in parts:
        name, _, rest = part.partition(" -->")
        after = rest.partition("<!-- end -->")[2]
        table = in_markdown(TABLES[name]())
        pieces.append(f"<!-- computed: {name} -->\n{table}\n<!-- end -->{after}")
    return "".join(pieces)
