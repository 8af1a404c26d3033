"""What would mend a source, by its kind: a line for each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from logger.readings.rig_file import Source


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceHints:
    """What to look at when a source of a kind gives trouble.

    Attributes:
        silent: where it is open and nothing comes.
        undecoded: where frames come and none can be read.
        bad: where some can't be read.
        bad_frames: what a frame that can't be read is called.
        poor_clock: where its times are poor.
    """

    silent: str
    undecoded: str
    bad: str
    bad_frames: str = "bad frames"
    poor_clock: str = (
        "see the adapter's latency, the network, and that 'up' is taken with the reading"
    )


HINTS: Mapping[str, SourceHints] = {
    "serial": SourceHints(
        silent="see that the device has power, that its line is on this port, and 'baud'",
        undecoded="see 'baud', 'decode' and 'pattern' or 'shape' in the rig file",
        bad="see shield, ground and length of the line, and 'baud'",
    ),
    "mqtt": SourceHints(
        silent="see that the device has power and network, and that it publishes on 'topic'",
        undecoded="see 'topic', 'decode' and 'pattern' or 'shape' in the rig file",
        bad="see who else publishes on 'topic'",
    ),
    "modbus": SourceHints(
        silent="see power and wiring of the device (A and B not crossed), its number in 'device', "
        "and 'baud', 'parity' and 'stop_bits' on a serial line",
        undecoded="see 'device', 'baud' and 'parity', and table, address and type of each "
        "[[source.register]]",
        bad="see table and address of each [[source.register]], and shield, ground, termination "
        "and 'timeout' of the line",
        bad_frames="questions without a good answer",
        poor_clock="raise 'baud', put registers next to each other, and let no other program ask "
        "the same device",
    ),
}
"""By kind of source; see ``logger/readings/source_keys.py``."""

_SHAPED = "see 'good_status', 'line_unit', 'line_length' and 'decimal' against what it says; else "


def hint_for_bad(source: Source) -> str:
    """What would mend frames of a source that can't be taken.

    Args:
        source: its table in the rig file.
    """
    return (_SHAPED if source.shape is not None else "") + HINTS[source.kind].bad
