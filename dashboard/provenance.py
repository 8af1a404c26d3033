"""What a result rests on: how many readings, from where, by which calibration and clock."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from logger.readings.rig_file import Channel
from logger.recording.run import Run


def readings_of(run: Run, u_time_s: Mapping[str, float]) -> list[dict[str, Any]]:
    """A line for each wired channel.

    Args:
        run: a sealed run.
        u_time_s: by channel id, standard uncertainty of its times, s; only what is known.

    Returns:
        Dictionaries of channel, source, samples, rate_hz (mean over the run; None without
        readings), equation (calibrated value from the raw one, in words), u, u_t_s and dated_by
        (how its times were made; None where the run does not say).
    """
    seconds = (run.span_ns[1] - run.span_ns[0]) * 1e-9
    return [
        {
            "channel": wired.id,
            "source": wired.source,
            "samples": (samples := run.header.samples.get(wired.id, 0)),
            "rate_hz": float(f"{samples / seconds:.3g}") if samples and seconds > 0 else None,
            "equation": equation(wired),
            "u": wired.u,
            "u_t_s": u_time_s.get(wired.id),
            "dated_by": " and ".join(run.header.dated_by.get(wired.source, ())) or None,
        }
        for wired in run.header.rig.channel
    ]


def equation(wired: Channel) -> str:
    """How a raw value becomes a reading: ``kg = -10 + 0.5 · raw``."""
    if wired.is_wheel:
        return f"on the ground where raw = {str(wired.closed_when).lower()}"
    terms = [
        f"{c:g}" + ("" if power == 0 else " · raw" if power == 1 else f" · raw^{power}")
        for power, c in enumerate(wired.polynomial or (wired.offset, wired.scale))
        if c != 0 or power == 1
    ]
    wraps = f", raw counts from 0 again at {wired.wraps_at:g}" if wired.wraps_at else ""
    return f"{wired.unit} = {' + '.join(terms).replace('+ -', '- ')}{wraps}"
