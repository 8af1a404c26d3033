"""What the rig file says of its calibrations: shown, and told where one is overdue."""

from __future__ import annotations

from typing import Any

from logger.live.check.findings import Finding, Severity, of_channel
from logger.readings.rig_file import Channel, RigFile


def overdue_calibrations(rig: RigFile, *, today: str) -> list[Finding]:
    """Channels whose calibration was to be done again by now.

    Args:
        rig: the rig file.
        today: ``2026-05-04``.
    """
    return [
        of_channel(
            channel.id,
            "calibration_overdue",
            Severity.CAUTION,
            f"was calibrated on {channel.calibrated.on} and was due again on "
            f"{channel.calibrated.due}",
            f"run `slewtrace calibrate {channel.id}`, or weigh what its age means",
        )
        for channel in rig.channel
        if channel.calibrated is not None
        and channel.calibrated.due is not None
        and channel.calibrated.due < today
    ]


def calibration_document(channel: Channel) -> dict[str, Any] | None:
    """A channel's ``calibrated`` table as it stands, for the report; None without one."""
    return None if channel.calibrated is None else channel.calibrated.model_dump(exclude_none=True)


def calibration_words(document: dict[str, Any]) -> str:
    """One line about a calibration, of :func:`calibration_document`."""
    words = f"calibrated {document['on']} against {document['reference']}"
    words += f", u = {document['u']}" if "u" in document else ""
    if "range" in document:
        low, high = document["range"]
        words += f", {low} to {high}"
    return words + (f", due {document['due']}" if "due" in document else "")
