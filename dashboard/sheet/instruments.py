"""What was measured with: channels and their calibration, weights, clocks, and the check."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from dashboard.figures.words import number_words
from dashboard.sheet.blocks import Block, Facts, Heading, Section, Table, Words, missing
from dashboard.sheet.dossier import Dossier
from dashboard.sheet.written import name_in_words, utc_words
from logger.readings.calibration_table import Calibrated
from logger.readings.polled_clock import clock_in_words
from logger.readings.rig_file import Channel

_VERDICTS = {
    "ready": "ready",
    "ready_with_cautions": "ready, with cautions",
    "not_ready": "NOT READY",
}
_MOST_CHECKED = 40


def instruments(dossier: Dossier) -> Section:
    """Channels, weights, clocks, and the check before the test."""
    return Section(title="Instruments", blocks=tuple(_blocks(dossier)))


def _blocks(dossier: Dossier) -> Iterator[Block]:
    yield Heading(text="Sensors")
    yield _sensors(dossier)
    yield Heading(text="Calibration")
    yield _calibrations(dossier)
    yield Heading(text="Test weights")
    yield _weights(dossier)
    yield Heading(text="Clocks")
    yield _clocks(dossier)
    yield from _undated(dossier)
    yield Heading(text="Check before the test")
    yield from _check(dossier)


def _sensors(dossier: Dossier) -> Table:
    return Table(
        head=("channel", "source", "readings", "rate", "reading from raw value", "u"),
        rows=tuple(
            (
                name_in_words(r["channel"]),
                name_in_words(r["source"]),
                number_words(r["samples"], ""),
                "—" if r["rate_hz"] is None else f"{r['rate_hz']:g}/s",
                r["equation"],
                r["u"] or "—",
            )
            for r in dossier.result["readings"]
        ),
        widths=(1, 0, 0, 0, 1.6, 0),
        numbers=(2, 3),
    )


def _calibrations(dossier: Dossier) -> Table:
    tested = (dossier.header.started_utc or "")[:10]
    return Table(
        head=("channel", "certificate or reference", "calibrated", "due", "by", "range"),
        rows=tuple(_calibration(c, tested) for c in dossier.header.rig.channel if not c.is_wheel),
        widths=(0, 1.8, 0, 0, 1, 0),
        empty="n/a, because the rig has contacts only.",
    )


def _calibration(channel: Channel, tested: str) -> tuple[str, ...]:
    known = channel.calibrated
    if known is None:
        told = missing("the rig file names no calibration of it")
        return channel.id, told, "n/a", "n/a", "n/a", "n/a"
    return (
        channel.id,
        known.reference,
        known.on,
        _due(known, tested),
        known.by or "n/a",
        "n/a" if known.range is None else " to ".join(known.range),
    )


def _due(known: Calibrated, tested: str) -> str:
    if known.due is None:
        return "n/a"
    return f"{known.due}: OVERDUE" if tested and known.due < tested else known.due


def _weights(dossier: Dossier) -> Table:
    mass, load = dossier.units.mass, dossier.test.load
    parts = tuple(
        (
            name_in_words(part.name),
            mass.words(part.mass_kg, digits=1),
            mass.words(part.u_kg, digits=1) if part.u_kg else "n/a",
            part.scale or "n/a",
            part.certificate or missing("the test file names none"),
        )
        for part in load.parts
    )
    above = mass.words(load.above_cell_kg, digits=1)
    return Table(
        head=("part", "mass", "u", "weighed on", "certificate"),
        rows=parts,
        foot=(
            ("in all", mass.words(load.mass_kg, digits=1), mass.words(load.u_kg, digits=1), "", ""),
            ("of it above the load cell", above, "", "", ""),
        ),
        widths=(1.4, 0, 0, 1, 1.4),
        numbers=(1, 2),
    )


def _clocks(dossier: Dossier) -> Table:
    return Table(
        head=("device clock", "pairs", "two-way", "rate off", "scatter", "u of a time"),
        rows=tuple(
            (
                name_in_words(clock_in_words(clock)),
                str(fit.pairs),
                str(fit.pairs_two_way),
                number_words((fit.rate - 1) * 1e6, "ppm", digits=1),
                number_words(fit.residual_s * 1e3, "ms", digits=1),
                number_words(fit.u_s * 1e3, "ms", digits=1),
            )
            for clock, fit in dossier.header.clock_fits.items()
        ),
        widths=(1, 0, 0, 0, 0, 0),
        numbers=(1, 2, 3, 4, 5),
        empty="n/a, because no device sent its uptime: times are those of arrival or as imported.",
    )


def _undated(dossier: Dossier) -> Iterator[Words]:
    unknown = [r["channel"] for r in dossier.result["readings"] if r["u_t_s"] is None]
    if unknown:
        names = ", ".join(map(name_in_words, unknown))
        yield Words(text=f"The uncertainty of times is not known for: {names}.", small=True)


def _check(dossier: Dossier) -> Iterator[Block]:
    report = dossier.header.check
    if report is None:
        yield Facts(rows=(("Verdict", missing("the rig was not checked before this run")),))
        return
    verdict = str(report.get("verdict", ""))
    yield Facts(
        rows=(
            ("Verdict", _VERDICTS.get(verdict, verdict or missing("the report holds none"))),
            ("Made", utc_words(str(report.get("utc", ""))) or "n/a"),
            ("By", str(report.get("software", "n/a"))),
        )
    )
    yield _checked(report)


def _checked(report: dict[str, Any]) -> Table:
    steps = [
        (str(s.get("title", s.get("step", ""))), str(s.get("outcome", "")), str(s.get("text", "")))
        for s in _dicts(report.get("steps"))
    ]
    found = [
        (
            str(f.get("where", "")),
            str(f.get("severity", "")).replace("_", " "),
            str(f.get("text", "")),
        )
        for f in _dicts(report.get("findings"))
    ]
    return Table(
        head=("step or place", "outcome", "what was found"),
        rows=tuple((steps + found)[:_MOST_CHECKED]),
        widths=(1, 0, 2),
        empty="It lists no steps and no findings.",
    )


def _dicts(value: object) -> list[dict[str, Any]]:
    """The objects of a list that perhaps is none: a report may have been edited."""
    return [v for v in value if isinstance(v, dict)] if isinstance(value, list) else []
