"""The step for the clocks of two sources: one knock, dated by both (see `logger.events.tap`)."""

from __future__ import annotations

import numpy as np

from logger.events.tap import (
    LEAST_TAPS,
    Departure,
    analogue_departures,
    contact_departures,
    paired,
    tap_bias,
)
from logger.live.check.findings import Finding, Severity
from logger.live.check.listening import Heard
from logger.live.check.steps import HeardBy, Judgement, Way
from logger.readings.rig_file import Channel, RigFile

TAPS_WANTED = 5
SETTLED_NS = 1_200_000_000
MOST_BIAS_S = 0.1
"""A hand keeps two knocks within some 50 ms (from memory); more than twice that is the clocks'."""

_TAPPED_FIRST = ("load", "wheel", "slew", "radius", "boom_length", "boom_angle", "hook_height")


class TapStep:
    """Knocks two sensors of different sources at once.

    Args:
        first: the reference channel.
        second: the other one.
    """

    name = "tap"
    way = Way.WATCH
    needs = ""
    asks_for = ""

    def __init__(self, first: Channel, second: Channel) -> None:
        self._first, self._second = first, second
        self.title = f"Tap test of {first.source} and {second.source}"
        self.channels = self.listens_to = (first.id, second.id)
        self.to_do = (
            f"With one movement {_knock(first)} and {_knock(second)}; let go at once. "
            f"{TAPS_WANTED} times, two seconds apart."
        )

    def read_answer(self, text: str) -> None:
        """Nothing is asked."""

    def is_seen(self, heard: HeardBy, *, now_ns: int) -> bool:
        """Whether both saw enough knocks and came to rest."""
        first, second = self._departures(heard)
        pairs = paired(first, second)
        if len(pairs) < TAPS_WANTED:
            return False
        return now_ns - max(d.t_ns for d in pairs[-1]) > SETTLED_NS

    def judge(self, heard: HeardBy, *, answer: str = "") -> Judgement:  # noqa: ARG002 - as in Step
        """Judges the knocks."""
        first, second = self._departures(heard)
        bias = tap_bias(first, second)
        figures = {
            "first": self._first.id,
            "second": self._second.id,
            "taps_first": len(first),
            "taps_second": len(second),
        }
        if bias is None:
            unseen = self._finding(
                "taps_not_seen",
                f"{self._first.id} saw {len(first)} knocks and {self._second.id} {len(second)}; "
                f"{LEAST_TAPS} that both see are needed",
                "knock harder, both at once, two seconds apart",
            )
            return Judgement(text=unseen.text, figures=figures, findings=(unseen,))
        figures |= {
            "taps": bias.taps,
            "bias_s": round(bias.bias_s, 6),
            "spread_s": round(bias.spread_s, 6),
            "u_s": round(bias.u_s, 6),
            "significant": bias.significant,
        }
        later = self._second if bias.bias_s > 0 else self._first
        text = (
            f"{later.source} is {1000 * abs(bias.bias_s):.0f} ms later, "
            f"u = {1000 * bias.u_s:.0f} ms from {bias.taps} knocks: "
            + ("significant" if bias.significant else "not significant, no more than scatter")
        )
        if not bias.significant or abs(bias.bias_s) <= MOST_BIAS_S:
            return Judgement(text=text, figures=figures)
        apart = self._finding(
            "sources_apart",
            text,
            "see that both devices take 'up' with the reading, and for buffering on the way",
        )
        return Judgement(text=text, figures=figures, findings=(apart,))

    def _departures(self, heard: HeardBy) -> tuple[list[Departure], list[Departure]]:
        return (
            departures_of(self._first, heard[self._first.id]),
            departures_of(self._second, heard[self._second.id]),
        )

    def _finding(self, code: str, text: str, would_do: str) -> Finding:
        return Finding(
            code=code, severity=Severity.CAUTION, where=self.title, text=text, would_do=would_do
        )


def departures_of(channel: Channel, heard: Heard) -> list[Departure]:
    """Where a channel left its baseline, whatever its kind."""
    if channel.is_wheel:
        return contact_departures(heard.t_ns, heard.raw == channel.closed_value)
    finite = np.isfinite(heard.raw)
    return analogue_departures(heard.t_ns[finite], heard.raw[finite])


def tap_steps(rig: RigFile) -> list[TapStep]:
    """A tap test of the source with the load cell (else the first) against each other source."""
    ordered = sorted(rig.channel, key=_preference)
    best = {c.source: c for c in reversed(ordered)}
    reference = ordered[0]
    return [TapStep(reference, c) for source, c in best.items() if source != reference.source]


def _preference(channel: Channel) -> int:
    kind = "wheel" if channel.is_wheel else channel.id
    return _TAPPED_FIRST.index(kind) if kind in _TAPPED_FIRST else len(_TAPPED_FIRST)


def _knock(channel: Channel) -> str:
    if channel.is_wheel:
        return f"open the switch of wheel {channel.wheel}"
    return {"load": "knock the load cell", "slew": "jerk the slew encoder"}.get(
        channel.id, f"knock the {channel.id.replace('_', ' ')} sensor"
    )
