"""The steps for the slew encoder: does it count the right way round, and where is its zero.

Slew angle is counter-clockwise positive seen from above, 0 over the rear: positive over the
truck's right side. An encoder mounted upside down counts the other way, and every sector of the
test would come out on the wrong side.
"""

from __future__ import annotations

import numpy as np

from logger.live.check.findings import Finding, Severity
from logger.live.check.listening import Heard
from logger.live.check.steps import HeardBy, Judgement, Way
from logger.readings.block import Values
from logger.readings.quantity import unit_factor
from logger.readings.rig_file import Channel
from logger.readings.slew import unwrap_slew

SEEN_DEG = 5.0
"""Turned this far, the watch ends by itself."""
LEAST_TURN_DEG = 1.0
MOST_JUMP_DEG = 20.0
"""More than a boom turns between two readings (common practice, no source)."""
DEFAULT_ANGLE_STEP_DEG = 1.0
"""Where no test file says to what angles are rounded."""
STILL_SD_DEG = 0.2


class EncoderStep:
    """Turns the encoder towards the truck's right side.

    Args:
        channel: the slew channel.
    """

    name = "encoder"
    title = "Direction of the slew encoder"
    way = Way.WATCH
    needs = ""
    asks_for = ""
    to_do = (
        "Slew the boom, or turn the encoder by hand, by 5° or more towards the truck's right "
        "side: counter-clockwise seen from above."
    )

    def __init__(self, channel: Channel) -> None:
        self._channel = channel
        self.channels = self.listens_to = (channel.id,)

    def read_answer(self, text: str) -> None:
        """Nothing is asked."""

    def is_seen(self, heard: HeardBy, *, now_ns: int) -> bool:  # noqa: ARG002 - as in Step
        """Whether it has turned far enough, either way."""
        angle_deg = self._angle_deg(heard)
        return angle_deg.size > 1 and abs(float(angle_deg[-1] - angle_deg[0])) >= SEEN_DEG

    def judge(self, heard: HeardBy, *, answer: str = "") -> Judgement:  # noqa: ARG002 - as in Step
        """Judges the turn."""
        angle_deg = self._angle_deg(heard)
        turned_deg = float(angle_deg[-1] - angle_deg[0]) if angle_deg.size else 0.0
        jump_deg = float(np.abs(np.diff(angle_deg)).max()) if angle_deg.size > 1 else 0.0
        figures = {
            "turned_deg": round(turned_deg, 3),
            "resolution_deg": self._channel.calibration.step,
            "largest_step_deg": round(jump_deg, 3),
        }
        fault = self._fault(turned_deg, heard[self._channel.id])
        if fault is not None:
            return Judgement(text=fault.text, figures=figures, findings=(fault,))
        jumps: tuple[Finding, ...] = ()
        if jump_deg > MOST_JUMP_DEG:
            jumps = (
                self._finding(
                    "encoder_jumps",
                    Severity.CAUTION,
                    f"jumped by {jump_deg:.0f}° between two readings",
                    "see its wiring, and whether 'wraps_at' is its counts in a turn",
                ),
            )
        return Judgement(
            text=f"counts the right way: {turned_deg:+.1f}°", figures=figures, findings=jumps
        )

    def _fault(self, turned_deg: float, heard: Heard) -> Finding | None:
        if abs(turned_deg) < LEAST_TURN_DEG:
            state = "moved by less than 1°" if len(heard) else "sent nothing"
            return self._finding(
                "encoder_not_turning",
                Severity.NOT_READY,
                f"it {state}",
                "see that its wheel or gear follows the turning boom, and its wiring",
            )
        if turned_deg < 0:
            return self._finding(
                "encoder_backwards",
                Severity.NOT_READY,
                f"it counts the wrong way round: {turned_deg:+.1f}° for a turn to the right side",
                f"write {turned_round(self._channel)} in [[channel]] 'slew', then take zero again",
            )
        return None

    def _angle_deg(self, heard: HeardBy) -> Values:
        return unwrap_slew(heard[self._channel.id].raw, self._channel.calibration)

    def _finding(self, code: str, severity: Severity, text: str, would_do: str) -> Finding:
        return Finding(code=code, severity=severity, where=self.title, text=text, would_do=would_do)


class ZeroStep:
    """Takes the encoder's zero with the boom over the rear.

    Args:
        channel: the slew channel.
        angle_step_deg: to what the test's sector angles are rounded, deg.
    """

    name = "zero"
    title = "Zero over the rear"
    way = Way.STILL
    needs = "encoder"
    asks_for = ""
    to_do = "Bring the boom over the rear, on the truck's centre line, and leave it still."

    def __init__(self, channel: Channel, *, angle_step_deg: float = DEFAULT_ANGLE_STEP_DEG) -> None:
        self._channel = channel
        self._most_deg = angle_step_deg
        self.channels = self.listens_to = (channel.id,)

    def read_answer(self, text: str) -> None:
        """Nothing is asked."""

    def is_seen(self, heard: HeardBy, *, now_ns: int) -> bool:  # noqa: ARG002 - as in Step
        """It is not watched."""
        return False

    def judge(self, heard: HeardBy, *, answer: str = "") -> Judgement:  # noqa: ARG002 - as in Step
        """Judges the zero; the line that would mend it is told in any case."""
        angle_deg = unwrap_slew(heard[self._channel.id].raw, self._channel.calibration)
        if angle_deg.size == 0:
            silent = self._finding(
                "no_reading", Severity.NOT_READY, "it sent nothing", "see the encoder's wiring"
            )
            return Judgement(text=silent.text, findings=(silent,))
        mean_deg, spread_deg = float(np.mean(angle_deg)), float(np.std(angle_deg))
        line = zeroed(self._channel, mean_deg)
        figures = {
            "mean_deg": round(mean_deg, 4),
            "spread_deg": round(spread_deg, 4),
            "readings": int(angle_deg.size),
            "correction": line,
        }
        text = f"reads {mean_deg:+.2f}° over the rear, spread {spread_deg:.2f}°"
        return Judgement(
            text=text, figures=figures, findings=self._faults(mean_deg, spread_deg, text, line)
        )

    def _faults(
        self, mean_deg: float, spread_deg: float, text: str, line: str
    ) -> tuple[Finding, ...]:
        # A count is the least that any offset can mend.
        allowed_deg = max(self._most_deg / 2, self._channel.calibration.step / 2)
        found: list[Finding] = []
        if abs(mean_deg) > allowed_deg:
            found.append(
                self._finding(
                    "zero_off",
                    Severity.NOT_READY if abs(mean_deg) > 2 * allowed_deg else Severity.CAUTION,
                    text,
                    f"write {line} in [[channel]] 'slew'",
                )
            )
        if spread_deg > max(STILL_SD_DEG, self._channel.calibration.step):
            found.append(
                self._finding(
                    "not_still",
                    Severity.CAUTION,
                    f"the angle moved while it was taken (spread {spread_deg:.2f}°)",
                    "leave the boom still and take it again; else see the encoder's mount",
                )
            )
        return tuple(found)

    def _finding(self, code: str, severity: Severity, text: str, would_do: str) -> Finding:
        return Finding(code=code, severity=severity, where=self.title, text=text, would_do=would_do)


def turned_round(channel: Channel) -> str:
    """The rig file's line that makes a channel count the other way, its value at raw 0 kept."""
    if channel.polynomial is not None:
        first, *rest = channel.polynomial
        return f"polynomial = [{', '.join(f'{c:.12g}' for c in (first, *(-c for c in rest)))}]"
    return f"scale = {-channel.scale:.12g}"


def zeroed(channel: Channel, mean_deg: float) -> str:
    """The line of the rig file that makes a slew channel read 0 where it reads a mean now.

    Args:
        channel: the slew channel.
        mean_deg: what it reads over the rear, deg.
    """
    mean = mean_deg / unit_factor(channel.unit or "", channel.kind)
    if channel.polynomial is not None:
        first, *rest = channel.polynomial
        return f"polynomial = [{', '.join(f'{c:.12g}' for c in (first - mean, *rest))}]"
    return f"offset = {round(channel.offset - mean, 6):.12g}"
