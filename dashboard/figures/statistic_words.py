"""Statistics of repeat tests in plain lines: what was found, from how many values, how sure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from dashboard.figures.comparison_words import ANSWERS, in_units
from dashboard.figures.units import SI, Units

Document = Mapping[str, Any]

PROVISIONAL = "provisional: fewer than 20"
MOST_SIGNALS = 8
"""Signals of a chart that are told one by one; more of them say the same."""
_DIGITS = {"deg": 2, "%": 2, "m": 4, "N·m": None}


class _Written:
    """Writes numbers of one unit."""

    def __init__(self, si_unit: str, units: Units) -> None:
        self._unit, self._units = si_unit, units

    def number(self, value: float | None) -> str:
        """A number with its unit; a word where it is unknown."""
        if value is None:
            return "without bound"
        if not self._unit:
            return f"{value:.4g}".replace("-", "−")
        return in_units(value, self._unit, self._units, digits=_DIGITS[self._unit])

    def with_interval(self, document: Document, key: str) -> str:
        """``1.2° (95 %: 0.8° to 1.9°)``."""
        low, high = document[f"{key}_interval"]
        ends = f"{self.number(low)} to {self.number(high)}"
        return f"{self.number(document[key])} (95 %: {ends})"


def statistics_words(document: Document, units: Units) -> Iterator[tuple[str, Sequence[str]]]:
    """The statistics of a ``slewtrace.compare/1`` document: what of, and its lines each.

    Args:
        document: the document.
        units: what it is read in.
    """
    for quantity in document["quantities"]:
        found = quantity["statistics"]
        if quantity["rounded"] or not quantity["unit"]:
            continue
        name = f"{quantity['side'].capitalize()}, {quantity['words']}"
        if found["n"]:
            yield f"{name}: {counted_words(found)}", [*_of_quantity(quantity, units)]
        else:
            yield f"{name}: n = 0", [found["why_not"]]
    directions = document["directions"]
    yield f"Way out against way back: {counted_words(directions)}", [direction_words(document)]


def _of_quantity(quantity: Document, units: Units) -> Iterator[str]:
    written = _Written(quantity["unit"], units)
    found = quantity["statistics"]
    yield _repeatability(found["repeatability"], written)
    phases = found["trend"].get("phases", ())
    if len(phases) > 1:
        for phase in phases:
            yield from _phase(phase, found["runs"], written)
    else:
        yield from _chart(found["individuals"], found["runs"], written)
    yield from _steps(found["trend"], written)
    if "why_not" not in found["agreement"]:
        yield _agreement(found["agreement"], written)


def direction_words(document: Document) -> str:
    """The way out against the way back."""
    agreement = document["directions"]["agreement"]
    if "why_not" in agreement:
        return str(agreement["why_not"])
    return _agreement(agreement, _Written("deg", SI))


def table_statistics_lines(document: Document) -> Iterator[tuple[str, Sequence[str]]]:
    """The statistics of a table: a title and its lines each.

    Args:
        document: the four statistics.
    """
    written = _Written("", SI)
    titles = {
        "repeatability": "Repeatability and reproducibility",
        "agreement": "Agreement of two groups",
        "gauge": "Gauge study",
        "individuals": "Individuals and moving range",
    }
    for key, title in titles.items():
        found = document[key]
        if "why_not" in found:
            yield title, [f"not told: {found['why_not']}"]
        else:
            yield title, [*_of_table(key, found, written), f"source: {found['source']}"]


def _of_table(key: str, found: Document, written: _Written) -> Iterator[str]:
    """The lines of one statistic of a table."""
    if key == "repeatability":
        yield from _table_repeatability(found, written)
    elif key == "gauge":
        yield from _gauge(found, written)
    else:
        yield counted_words(found)
        yield from (
            [_agreement(found, written)] if key == "agreement" else _chart(found, (), written)
        )


def counted_words(document: Document) -> str:
    """How many values a statistic rests on, and whether that is few."""
    n = f"n = {document['n']}"
    return f"{n}, {PROVISIONAL}" if document["provisional"] else n


def _repeatability(
    found: Document,
    written: _Written,
    *,
    alike: str = "tests of one build with one kit",
    groups: str = "kits",
) -> str:
    if "why_not" in found:
        return f"repeatability not told: {found['why_not']}"
    if found["s_r"] is None:
        return f"repeatability not told: {found['why_not_all']}"
    limit = written.number(found["repeatability_limit"])
    words = (
        f"repeats with s_r = {written.with_interval(found, 's_r')}, "
        f"{found['s_r_dof']:g} degrees of freedom; two {alike} "
        f"differ by more than {limit} in one of twenty cases "
        f"({found['repeatability_factor']:.2f} · s_r)"
    )
    if found["s_R"] is None:
        return words
    return f"{words}; between {groups} s_R = {written.with_interval(found, 's_R')}"


def _chart(found: Document, runs: Sequence[str], written: _Written) -> Iterator[str]:
    if "why_not" in found:
        yield f"chart not told: {found['why_not']}"
        return
    yield (
        f"mean {written.with_interval(found, 'mean')}; limits of single values "
        f"{written.number(found['lower_limit'])} to {written.number(found['upper_limit'])} "
        f"(mean ± 2.66 times the mean moving range {written.number(found['moving_range_mean'])})"
    )
    signals = found["signals"]
    for signal in signals[:MOST_SIGNALS]:
        which = ", ".join(runs[at - 1] for at in signal["at"]) if runs else ""
        yield f"▲ {signal['text']}{f': {which}' if which else ''}"
    if len(signals) > MOST_SIGNALS:
        yield f"▲ and {len(signals) - MOST_SIGNALS} more such signals"


def _phase(phase: Document, runs: Sequence[str], written: _Written) -> Iterator[str]:
    """A build's own chart."""
    name = f"build {phase['build']}, n = {phase['n']}"
    for words in _chart(phase, runs, written):
        yield f"{name}: {words}"


def _steps(found: Document, written: _Written) -> Iterator[str]:
    phases = found.get("phases", ())
    for step in found.get("steps", ()):
        before, after = (phases[step[key] - 1]["build"] for key in ("from_phase", "to_phase"))
        name = f"from build {before} to {after}"
        if "why_not" in step:
            yield f"{name}: {step['why_not']}"
            continue
        words = f"{name}: {written.with_interval(step, 'difference')}"
        if "answer" in step:
            words += f"; {ANSWERS[step['answer']]} {written.number(step['limit'])}"
        yield words


def _agreement(found: Document, written: _Written) -> str:
    lower, upper = (written.with_interval(found, f"{end}_limit") for end in ("lower", "upper"))
    return (
        f"{found['first']} less {found['second']}, n = {found['n']} pairs"
        f"{f', {PROVISIONAL}' if found['provisional'] else ''}: bias "
        f"{written.with_interval(found, 'bias')}; limits of agreement {lower} and {upper}"
    )


def _table_repeatability(found: Document, written: _Written) -> Iterator[str]:
    yield f"{counted_words(found)}; {found['items']} items, {found['groups']} groups"
    yield _repeatability(found, written, alike="values of one item and one group", groups="groups")
    if found["s_R"] is not None:
        yield (
            f"two values of different groups differ by more than "
            f"{written.number(found['reproducibility_limit'])} in one of twenty cases "
            f"({found['reproducibility_factor']:.2f} · s_R)"
        )
    elif found["why_not_all"]:
        yield f"reproducibility not told: {found['why_not_all']}"
    for item in found["by_item"]:
        for group in item["by_group"]:
            if group["unusual"]:
                yield f"▲ item {item['item']}, group {group['group']}: h or k is unusual"


def _gauge(found: Document, written: _Written) -> Iterator[str]:
    yield (
        f"{counted_words(found)}; {found['items']} items, {found['groups']} groups, "
        f"{found['repeats']} repeats"
    )
    for key, words in (
        ("ev", "equipment (repeatability)"),
        ("av", "groups (reproducibility)"),
        ("grr", "repeatability and reproducibility"),
        ("pv", "items"),
    ):
        share = found["percent_of_tv"][key]
        of_all = "" if share is None else f", {share:.1f} % of all"
        yield f"{words}: {written.with_interval(found, key)}{of_all}"
    if found["percent_grr"] is not None:
        low, high = found["percent_grr_interval"]
        yield (
            f"share of the gauge: {found['percent_grr']:.1f} % "
            f"(95 %: {low:.1f} % to {high:.1f} %), {found['mark']}"
        )
    if found["ndc_whole"] is not None:
        yield f"distinct categories: {found['ndc_whole']}"
