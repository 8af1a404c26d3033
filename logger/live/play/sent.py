"""What a playing has sent, source by source."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from logger.live.play.frames import Frame


@dataclass(slots=True, kw_only=True)
class Sent:
    """What went to one destination; counts unless said otherwise.

    Attributes:
        source: the source's id.
        to: port, or broker and topic.
        form: what went there: ``packs`` or ``lines``.
        times: how times were told: ``uptime``, ``absolute`` or ``arrival``.
        frames: packs or lines that were taken; by a broker, that it acknowledged.
        readings: in them.
        left_out: packs that were missing when the run was recorded, and so are now.
        refused: frames that nobody took.
        answers: questions for the uptime that were answered.
        late_s: how late a frame was sent at worst, wall time, s.
    """

    source: str
    to: str
    form: str
    times: str
    frames: int = 0
    readings: int = 0
    left_out: int = 0
    refused: int = 0
    answers: int = 0
    late_s: float = 0.0

    def count(self, frame: Frame, *, late_s: float, taken: bool) -> None:
        """Counts one frame."""
        self.frames += taken
        self.readings += frame.readings if taken else 0
        self.refused += not taken
        self.left_out += frame.left_out
        self.late_s = max(self.late_s, late_s)

    def to_json(self) -> dict[str, Any]:
        """As a plain object."""
        return asdict(self) | {"late_s": round(self.late_s, 4)}
