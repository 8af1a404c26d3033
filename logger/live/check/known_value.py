"""The steps that hold a sensor against something known: a weight on the cell, a tape on the radius.

What is known may carry its standard uncertainty ("1360 kg ± 2 kg"). The difference is held
against twice the combined standard uncertainty of both, as the decision on a single deviation
goes (JCGM 106:2012, 8.3.2, with k = 2). Where nobody declared an uncertainty, half a percent is
allowed (common practice, no source).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import floor, hypot, log10

import numpy as np

from logger.live.check.channel_check import in_unit
from logger.live.check.findings import Finding, Severity
from logger.live.check.steps import HeardBy, Judgement, Way
from logger.readings.quantity import parse_quantity, unit_factor
from logger.readings.rig_file import Channel

UNDECLARED_SHARE = 0.005
HARD_SHARE = 0.02
"""A share of error beyond which a test would prove nothing (common practice, no source)."""
STILL_SHARE = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """A known value, as a person typed it.

    Attributes:
        value_si: the value, SI.
        u_si: its standard uncertainty, SI; 0 where none was given.
    """

    value_si: float
    u_si: float


def read_known(text: str, channel: Channel) -> Known:
    """Reads ``"1360 kg"`` or ``"1360 kg ± 2 kg"`` (also ``+-`` and ``+/-``).

    Raises:
        ValueError: in words for the person.
    """
    value, *rest = re.split(r"±|\+/?-", text, maxsplit=1)
    known = Known(
        value_si=parse_quantity(value.strip(), channel.kind),
        u_si=parse_quantity(rest[0].strip(), channel.kind) if rest else 0.0,
    )
    if not known.value_si > 0 or known.u_si < 0:
        raise ValueError("a positive value and an uncertainty that is not negative are needed")
    return known


class KnownValueStep:
    """Compares a channel with a known value.

    Args:
        channel: the load or the radius.
        name: what the step is, for programs.
        title: what it is, for a person.
        to_do: what the person is asked to do.
        asks_for: what they are asked to type.
        danger: what a reading that is too large does.
    """

    way = Way.STILL
    needs = ""

    def __init__(
        self, channel: Channel, *, name: str, title: str, to_do: str, asks_for: str, danger: str
    ) -> None:
        self._channel = channel
        self._danger = danger
        self.name, self.title, self.to_do, self.asks_for = name, title, to_do, asks_for
        self.channels = self.listens_to = (channel.id,)

    def read_answer(self, text: str) -> None:
        """Checks the known value.

        Raises:
            ValueError: in words for the person.
        """
        read_known(text, self._channel)

    def is_seen(self, heard: HeardBy, *, now_ns: int) -> bool:  # noqa: ARG002 - as in Step
        """It is not watched."""
        return False

    def judge(self, heard: HeardBy, *, answer: str = "") -> Judgement:
        """Judges the reading against what was typed."""
        known = read_known(answer, self._channel)
        value = self._channel.calibration.apply(heard[self._channel.id].raw)
        if value.size == 0:
            silent = self._finding(
                "no_reading", Severity.NOT_READY, "it sent nothing", "see the sensor's wiring"
            )
            return Judgement(text=silent.text, findings=(silent,))
        return self._judge(known, float(np.mean(value)), float(np.std(value)))

    def _judge(self, known: Known, mean_si: float, spread_si: float) -> Judgement:
        difference_si = mean_si - known.value_si
        share = difference_si / known.value_si
        u_si = hypot(known.u_si, self._channel.u_si or 0.0)
        unit = str(self._channel.kind.value)
        figures = {
            f"known_{unit}": known.value_si,
            f"read_{unit}": round(mean_si, 6),
            f"spread_{unit}": round(spread_si, 6),
            f"difference_{unit}": round(difference_si, 6),
            f"u_{unit}": round(u_si, 6) if u_si else None,
            "difference_share": round(share, 6),
        }
        text = (
            f"reads {in_unit(self._channel, mean_si)} for "
            f"{in_unit(self._channel, known.value_si)}: "
            f"{self._difference(difference_si, known)}, {100 * share:+.2f} %"
        )
        return Judgement(
            text=text,
            figures=figures,
            findings=(
                *self._off(difference_si, share, u_si, known, text),
                *self._unsteady(spread_si, known),
            ),
        )

    def _difference(self, difference_si: float, known: Known) -> str:
        """The difference in the channel's unit, to a ten-thousandth of what is known."""
        to_si = unit_factor(self._channel.unit or "", self._channel.kind)
        decimals = max(0, 4 - floor(log10(known.value_si / to_si)))
        return f"{difference_si / to_si:+.{decimals}f} {self._channel.unit}"

    def _off(
        self, difference_si: float, share: float, u_si: float, known: Known, text: str
    ) -> list[Finding]:
        allowed_si = 2 * u_si if u_si else UNDECLARED_SHARE * known.value_si
        if abs(difference_si) <= allowed_si:
            return []
        why = (
            f"allowed {in_unit(self._channel, allowed_si)}, twice the declared uncertainty"
            if u_si
            else f"no uncertainty is declared, {100 * UNDECLARED_SHARE:g} % is allowed"
        )
        harm = f"; {self._danger}" if difference_si > 0 else ""
        return [
            self._finding(
                "known_value_missed",
                Severity.NOT_READY if abs(share) > HARD_SHARE else Severity.CAUTION,
                f"{text} ({why}){harm}",
                "calibrate the channel again and mend 'scale', 'offset' or 'polynomial'",
            )
        ]

    def _unsteady(self, spread_si: float, known: Known) -> list[Finding]:
        if spread_si <= STILL_SHARE * known.value_si:
            return []
        return [
            self._finding(
                "not_still",
                Severity.CAUTION,
                "the reading swung while it was taken "
                f"(spread {in_unit(self._channel, spread_si)})",
                "let it come to rest and take it again",
            )
        ]

    def _finding(self, code: str, severity: Severity, text: str, would_do: str) -> Finding:
        return Finding(code=code, severity=severity, where=self.title, text=text, would_do=would_do)


def known_weight(channel: Channel, *, below_cell: str = "") -> KnownValueStep:
    """The step for the load cell.

    Args:
        channel: the load.
        below_cell: what the test file says hangs below the cell, for the person; else empty.
    """
    hint = f" (the test file: {below_cell})" if below_cell else ""
    return KnownValueStep(
        channel,
        name="known_weight",
        title="Known weight on the load cell",
        to_do="Hang a known weight, off the ground and at rest.",
        asks_for=f"All that hangs below the cell{hint}, like '1360 kg' or '1360 kg ± 2 kg'",
        danger="reading too much, it would prove a moment that did not hang",
    )


def tape_radius(channel: Channel) -> KnownValueStep:
    """The step for the radius sensor."""
    return KnownValueStep(
        channel,
        name="tape_radius",
        title="Tape against the radius sensor",
        to_do="Tape the radius, level, from the slew axis to the hoist line.",
        asks_for="The taped radius, like '3.92 m' or '3.92 m ± 5 mm'",
        danger="reading too far out, it would prove a moment that was not there",
    )
