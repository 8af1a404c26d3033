"""What was done, in order: sweeps, lifts, holds, radius changes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from dashboard.figures.words import clock_words
from dashboard.sheet.blocks import Block, Heading, Picture, Section, Table, Words
from dashboard.sheet.dossier import Dossier
from dashboard.sheet.subject import planned
from dashboard.sheet.written import name_in_words, size_words

Item = dict[str, Any]


def proceedings(dossier: Dossier) -> Section:
    """Planned against done, then every sweep with what happened on it."""
    return Section(title="Planned and done", blocks=(planned(dossier), *_tables(dossier)))


def course(_dossier: Dossier) -> Section:
    """The readings over the whole run, as a picture."""
    return Section(
        title="The run's readings",
        blocks=(
            Picture(
                name="traces",
                said="Slew, load, radius and the wheels' contacts over the run; the same stands in "
                "the tables of sweeps, lifts and holds.",
            ),
            Words(
                text="Every extreme that was read is drawn. A block on a wheel's line: its contact "
                "was open. A broken line: nothing is known of it.",
                small=True,
            ),
        ),
    )


def _tables(dossier: Dossier) -> Iterator[Block]:
    yield Heading(text="Sweeps")
    yield _sweeps(dossier)
    yield Heading(text="Wheel lifts")
    yield _lifts(dossier)
    yield Heading(text="Holds: load hanging, radius constant")
    yield _holds(dossier)
    yield Heading(text="Radius changes")
    yield _changes(dossier)
    yield Words(
        text="u: standard uncertainty. U: expanded uncertainty, k·u. Proved: as the decision rule "
        "says, rounded down. Times are minutes and seconds since the run's start.",
        small=True,
    )


def numbered(dossier: Dossier, key: str) -> list[tuple[int, int, Item]]:
    """Holds or lifts of a result, counted over all sweeps.

    Args:
        dossier: what the sheet is made of.
        key: ``holds`` or ``lifts``; lifts begin with the first one.

    Returns:
        Number of the item, number of its sweep, the item.
    """
    found = [
        (sweep_number, item)
        for sweep_number, sweep in enumerate(dossier.result["sweeps"], start=1)
        for item in (
            sweep["holds"]
            if key == "holds"
            else [x for x in (sweep["first_lift"], *sweep["lifts"]) if x is not None]
        )
    ]
    return [(number, sweep, item) for number, (sweep, item) in enumerate(found, start=1)]


def _sweeps(dossier: Dossier) -> Table:
    return Table(
        head=("sweep", "side", "began", "ended", "reached", "counts", "why"),
        rows=tuple(
            (
                str(number),
                s["side"],
                clock_words(s["start_s"]),
                clock_words(s["end_s"]),
                size_words(s["reached_deg"]),
                "yes" if s["counts"] else "no",
                s["reason"].removeprefix("counts: "),
            )
            for number, s in enumerate(dossier.result["sweeps"], start=1)
        ),
        widths=(0, 0, 0, 0, 0, 0, 1),
        numbers=(2, 3, 4),
        empty="None: the boom never went out from over the rear with the load hanging.",
    )


def _lifts(dossier: Dossier) -> Table:
    return Table(
        head=("lift", "sweep", "wheel", "at", "angle", "95 % interval", "safe bounds", "u"),
        rows=tuple(
            (
                str(number),
                str(sweep),
                name_in_words(lift["wheel"]),
                clock_words(lift["t_s"]),
                size_words(lift["estimate_deg"], digits=2),
                _ends(lift["interval_deg"]),
                _ends([lift["slew_low_deg"], lift["slew_high_deg"]]),
                f"{lift['u_slew_deg']:.2f}°",
            )
            for number, sweep, lift in numbered(dossier, "lifts")
        ),
        widths=(0, 0, 1, 0, 0, 0, 0, 0),
        numbers=(3, 4, 5, 6, 7),
        empty="None: no wheel lifted with the load hanging.",
    )


def _ends(angles: list[float]) -> str:
    low, high = sorted(abs(a) for a in angles)
    return f"{low:.2f}° to {high:.2f}°"


def _holds(dossier: Dossier) -> Table:
    units = dossier.units
    mass, length, moment = units.mass, units.length, units.moment
    return Table(
        head=(
            *("hold", "sweep", "from", "to", "radius", "by"),
            *("load", "moment", "U", "proved", "of required"),
        ),
        rows=tuple(
            (
                str(number),
                str(sweep),
                size_words(hold["from_deg"]),
                size_words(hold["to_deg"]),
                length.words(hold["radius_m"], digits=3 if units.name == "si" else 2),
                hold["radius_by"] or "—",
                mass.words(hold["load_kg"], digits=1),
                moment.words(hold["moment_nm"]),
                _expanded(dossier, hold),
                moment.at_most(hold["proved_moment_nm"]),
                "—" if hold["proved_percent"] is None else f"{hold['proved_percent']:.2f} %",
            )
            for number, sweep, hold in numbered(dossier, "holds")
        ),
        widths=(0, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0),
        numbers=(2, 3, 4, 6, 7, 8, 9, 10),
        empty="None: no stretch was held with the load hanging and every wheel down.",
    )


def _expanded(dossier: Dossier, hold: Item) -> str:
    budget = hold["moment_budget"]
    return "—" if budget is None else dossier.units.moment.words(budget["expanded"])


def _changes(dossier: Dossier) -> Table:
    length = dossier.units.length
    digits = 3 if dossier.units.name == "si" else 2
    return Table(
        head=("sweep", "at", "slew", "from", "to", "told by", "load"),
        rows=tuple(
            (
                str(number),
                clock_words(c["t_s"]),
                size_words(c["slew_deg"]),
                length.words(c["from_m"], digits=digits),
                length.words(c["to_m"], digits=digits),
                c["by"],
                "set down" if c["set_down"] else "hanging",
            )
            for number, sweep in enumerate(dossier.result["sweeps"], start=1)
            for c in sweep["radius_changes"]
        ),
        widths=(0, 1, 1, 1, 1, 1, 1),
        numbers=(1, 2, 3, 4),
        empty="None.",
    )
