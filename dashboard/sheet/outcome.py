"""The record's first part: verdict, sectors from above, and the sectors as a table."""

from __future__ import annotations

from collections.abc import Iterator

from dashboard.figures.sectors_of_result import sectors_summary
from dashboard.figures.words import plain_number
from dashboard.sheet.blocks import Block, Facts, Picture, Section, Table, Words, missing
from dashboard.sheet.dossier import Dossier
from dashboard.sheet.written import name_in_words, size_words

NONE_SWEPT = "No sector: nothing was swept, so there is no lifting anywhere."


def outcome(dossier: Dossier) -> Section:
    """The sectors, and what they rest on in two lines."""
    return Section(title="Result: capacity sectors", blocks=tuple(_blocks(dossier)))


def _blocks(dossier: Dossier) -> Iterator[Block]:
    result, units = dossier.result, dossier.units
    yield Picture(name="sectors", said=sectors_summary(result), share=0.66)
    yield _sectors(dossier)
    yield Words(
        text="Angles count from over the rear on their side. Angles and percentages are rounded so "
        "that a better sector only shrinks. Where nothing was swept with the load hanging there "
        "is no lifting. A triangle in the figure marks the first lift of a wheel.",
        small=True,
    )
    yield Facts(
        rows=(
            ("Required moment", units.moment.at_least(result["required"]["moment_nm"])),
            ("How it is stated", units.sentence(result["required"]["formula"])),
            ("First lift, right", _first_lift(dossier, "right")),
            ("First lift, left", _first_lift(dossier, "left")),
            ("Least sure", _least_sure(dossier)),
        )
    )


def _sectors(dossier: Dossier) -> Table:
    units = dossier.units
    return Table(
        head=("side", "from", "to", "of the rating", "basis", "least moment proved", "of required"),
        rows=tuple(
            (
                s["side"],
                f"{plain_number(s['from_deg'])}°",
                f"{plain_number(s['to_deg'])}°",
                f"{plain_number(s['percent'])} %" if s["percent"] else "no lifting",
                s["basis"],
                units.moment.at_most(s["least_proved_nm"]),
                "—" if s["least_proved_percent"] is None else f"{s['least_proved_percent']:.2f} %",
            )
            for s in dossier.result["sectors"]
            if s["to_deg"] > s["from_deg"]
        ),
        widths=(1, 1, 1, 1.6, 1.6, 2.2, 1.6),
        numbers=(1, 2, 3, 5, 6),
        empty=NONE_SWEPT,
    )


def _first_lift(dossier: Dossier, side: str) -> str:
    swept = [s for s in dossier.result["sweeps"] if s["side"] == side and s["counts"]]
    if not swept:
        return missing(f"no sweep on the {side} counts")
    lift = swept[-1]["first_lift"]
    if lift is None:
        return f"no wheel lifted up to {size_words(swept[-1]['reached_deg'])}"
    low, high = sorted(abs(end) for end in lift["interval_deg"])
    return (
        f"{name_in_words(lift['wheel'])} at {size_words(lift['estimate_deg'])} "
        f"(95 %: {low:.1f}° to {high:.1f}°)"
    )


def _least_sure(dossier: Dossier) -> str:
    least = dossier.result["least_sure"]
    if least is None:
        return missing("no moment was measured in a sweep that counts")
    budget = least["budget"]
    return (
        f"{budget['value']:.1f} % ± {budget['expanded']:.1f} % of the required moment, "
        f"{least['side']} side (k = {budget['k']:.2f})"
    )
