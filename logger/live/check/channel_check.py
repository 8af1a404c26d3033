"""One channel judged: does it live, how noisy, how long is it silent, can its value be true."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from math import isfinite
from typing import Any

import numpy as np

from logger.events.silence import reports_only_changes, usual_stale_after_ns
from logger.events.tap import robust_sd
from logger.live.check.calibration_check import calibration_document
from logger.live.check.clock_check import is_off
from logger.live.check.findings import Finding, Severity, of_channel
from logger.live.check.listening import Heard, SourceTally
from logger.live.check.names import nearest_name
from logger.live.check.source_check import rate_hz
from logger.readings.block import Values
from logger.readings.channel_kinds import CHANNEL_KINDS
from logger.readings.quantity import unit_factor
from logger.readings.rig_file import Channel
from logger.readings.slew import unwrap_slew

STUCK_READINGS = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelReport:
    """One channel as the report tells it, with its findings.

    Attributes:
        document: the plain object of the report.
        findings: what was found.
    """

    document: dict[str, Any]
    findings: tuple[Finding, ...]


def judge_channel(
    channel: Channel,
    heard: Heard,
    *,
    window_ns: tuple[int, int],
    tallies: dict[str, SourceTally],
) -> ChannelReport:
    """Judges one channel.

    Args:
        channel: its table in the rig file.
        heard: what came of it while listening.
        window_ns: from when to when that was, ns on the same clock.
        tallies: what came from each source.
    """
    source = tallies[channel.source]
    findings: list[Finding] = []
    if not len(heard):
        if source.packs:
            findings.append(_dead(channel, tallies))
    elif channel.is_wheel:
        findings += _wheel_findings(channel, heard)
    else:
        findings += _range(channel, calibrated(channel, heard.raw))
    gap_s, limit_s = _longest_gap(channel, heard, window_ns)
    too_long = gap_s is not None and limit_s is not None and gap_s > limit_s
    if too_long and not is_off(source):
        findings.append(
            of_channel(
                channel.id,
                "channel_falls_silent",
                Severity.CAUTION,
                f"was silent for {gap_s:.2f} s; after {limit_s:g} s it counts as stale",
                "see its line and power, or give a 'stale_after' that fits its rate",
            )
        )
    return ChannelReport(
        document=_document(channel, heard, gap_s, limit_s), findings=tuple(findings)
    )


def calibrated(channel: Channel, raw: Values) -> Values:
    """Raw values as SI (deg for angles), the slew angle continuous."""
    if channel.id == "slew":
        return unwrap_slew(raw, channel.calibration)
    return channel.calibration.apply(raw)


def in_unit(channel: Channel, value_si: float) -> str:
    """A value as a person reads it: in the channel's own unit."""
    return f"{value_si / unit_factor(channel.unit or '', channel.kind):.4g} {channel.unit}"


def stuck(channel: Channel, heard: Heard) -> Finding | None:
    """A caution where an analogue channel has not moved by the least step in all that was heard."""
    if channel.is_wheel or CHANNEL_KINDS[channel.id].stands_still or len(heard) < STUCK_READINGS:
        return None
    if np.ptp(heard.raw) > 0:
        return None
    span_s = (int(heard.t_ns[-1]) - int(heard.t_ns[0])) * 1e-9
    return of_channel(
        channel.id,
        "value_stuck",
        Severity.CAUTION,
        f"has not moved at all in {len(heard)} readings over {span_s:.1f} s "
        f"(raw {float(heard.raw[0]):g})",
        "move it a little by hand and see it change; else see sensor, amplifier and wiring",
    )


def _dead(channel: Channel, tallies: dict[str, SourceTally]) -> Finding:
    """Why it is silent, and the name that may be meant."""
    here = tallies[channel.source]
    meant = nearest_name(channel.name, here.unknown)
    elsewhere = [s for s, t in tallies.items() if s != channel.source and channel.name in t.names]
    if meant is not None:
        would_do = f"if the sensor that sends {meant!r} is meant, write name = {meant!r}"
    elif elsewhere:
        would_do = f"that name comes from source {elsewhere[0]!r}: source = {elsewhere[0]!r}"
    elif here.unknown:
        would_do = f"the names that come: {', '.join(sorted(here.unknown)[:6])}"
    else:
        would_do = "see the sensor's plug, and the name that the device gives it"
    return of_channel(
        channel.id,
        "channel_dead",
        Severity.NOT_READY,
        f"no reading named {channel.name!r} comes from source {channel.source!r}",
        would_do,
    )


def _range(channel: Channel, value: Values) -> Iterator[Finding]:
    low, high = CHANNEL_KINDS[channel.id].plausible
    nonsense = ~((value >= low) & (value <= high))
    if nonsense.any():
        worst = float(value[np.flatnonzero(nonsense)[-1]])
        shown = in_unit(channel, worst) if isfinite(worst) else "no finite number"
        yield of_channel(
            channel.id,
            "value_out_of_range",
            Severity.NOT_READY,
            f"reads {shown}, which can't be so "
            f"({in_unit(channel, low)} to {in_unit(channel, high)})",
            "see wiring, 'unit', 'scale', 'offset' or 'polynomial'",
        )


def _wheel_findings(channel: Channel, heard: Heard) -> Iterator[Finding]:
    closed = heard.raw == channel.closed_value
    changes = int(np.count_nonzero(closed[1:] != closed[:-1]))
    if changes:
        yield of_channel(
            channel.id,
            "contact_chatters",
            Severity.CAUTION,
            f"changed {changes} times while nobody should have touched it",
            "see the switch's seat, its gap and its plug",
        )
    if not closed[-1]:
        read = (
            "its word is another"
            if isinstance(channel.closed_when, str)
            else (f"raw {float(heard.raw[-1]):g}")
        )
        yield of_channel(
            channel.id,
            "wheel_reads_lifted",
            Severity.CAUTION,
            f"reads lifted ({read}); before a test every tyre should be on the ground",
            "see tyre, switch and wire; wire it so that it is closed with the tyre on the ground "
            "and a cut wire reads lifted; if it is, 'closed_when' is the wrong way round",
        )
    if reports_only_changes(changes, len(heard)):
        yield only_changes(channel)


def only_changes(channel: Channel) -> Finding:
    """A caution about a contact whose silence says nothing."""
    return of_channel(
        channel.id,
        "reports_only_changes",
        Severity.CAUTION,
        "seems to speak only when it changes, so a cut wire or a dead device goes unseen",
        "let the device repeat the state some times a second",
    )


def _longest_gap(
    channel: Channel, heard: Heard, window_ns: tuple[int, int]
) -> tuple[float | None, float | None]:
    """Longest silence, its beginning and end included, and the limit for it, s."""
    if not len(heard):
        return None, channel.stale_after_s
    edges_ns = np.concatenate(([window_ns[0]], heard.t_ns, [window_ns[1]]))
    gap_s = float(np.diff(edges_ns).max()) * 1e-9
    if channel.stale_after_s is not None:
        return gap_s, channel.stale_after_s
    closed = heard.raw == channel.closed_value if channel.is_wheel else None
    if closed is not None and reports_only_changes(
        int(np.count_nonzero(closed[1:] != closed[:-1])), len(heard)
    ):
        return gap_s, None
    return gap_s, usual_stale_after_ns(heard.t_ns) * 1e-9


def _document(
    channel: Channel, heard: Heard, gap_s: float | None, limit_s: float | None
) -> dict[str, Any]:
    count = len(heard)
    rate = rate_hz(count, int(heard.t_ns[0]), int(heard.t_ns[-1])) if count else None
    document: dict[str, Any] = {
        "id": channel.id,
        "source": channel.source,
        "name": channel.name,
        "alive": count > 0,
        "readings": count,
        "rate_hz": None if rate is None else round(rate, 3),
        "last_raw": _number(heard.raw[-1]) if count else None,
        "longest_gap_s": None if gap_s is None else round(gap_s, 4),
        "stale_after_s": limit_s,
    }
    if channel.is_wheel:
        closed = heard.raw == channel.closed_value
        document["state"] = ("closed" if closed[-1] else "open") if count else "unknown"
        document["changes"] = int(np.count_nonzero(closed[1:] != closed[:-1]))
        return document
    to_si = unit_factor(channel.unit or "", channel.kind)
    value = calibrated(channel, heard.raw) / to_si
    document["unit"] = channel.unit
    document["calibrated"] = calibration_document(channel)
    document["last"] = _number(value[-1]) if count else None
    document["noise"] = _number(robust_sd(value[np.isfinite(value)])) if count else None
    return document


def _number(value: float) -> float | None:
    """A number that JSON can hold."""
    return float(f"{value:.9g}") if isfinite(value) else None


def missing_channels(wired: Iterable[str], wheels: Iterable[str]) -> list[Finding]:
    """What a test needs and the rig has not.

    Args:
        wired: ids of the rig's channels.
        wheels: the truck's wheels, by position.
    """
    there = set(wired)
    needed = [("slew", "no angle is known"), ("load", "no moment is proved")]
    needed += [(f"wheel/{w}", "its lift goes unseen") for w in wheels]
    return [
        of_channel(
            channel_id,
            "channel_not_wired",
            Severity.NOT_READY,
            f"the rig has no such channel, so {why}",
            "wire it and give it a [[channel]] in the rig file",
        )
        for channel_id, why in needed
        if channel_id not in there
    ]
