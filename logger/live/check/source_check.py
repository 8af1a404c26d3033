"""One source judged: is it open, does it speak, does anything get lost, can its clock be used."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from logger.live.broker.proof import Proof
from logger.live.check.clock_check import clock_findings, clock_of, drift_ppm
from logger.live.check.findings import Finding, Severity, of_source
from logger.live.check.listening import SourceTally
from logger.live.check.names import nearest_name
from logger.live.check.source_hints import HINTS, hint_for_bad
from logger.readings.clock_alignment import ClockFit
from logger.readings.rig_file import RigFile, Source

MOST_ADAPTER_LATENCY_S = 2e-3
_NAMES_SHOWN = 6
_MISSED_SHARE = 0.05
"""Of questions; a busy computer misses some (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceReport:
    """One source as the report tells it, with its findings.

    Attributes:
        document: the plain object of the report.
        findings: what was found.
    """

    document: dict[str, Any]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What is known of a source besides what came from it.

    Attributes:
        adapter_latency_s: how long its USB adapter may hold bytes back, or None.
        anonymous_refused: whether its broker refuses a login without a name; None where it is
            no broker or that could not be tried.
        proofs: what else was tried at its broker.
    """

    adapter_latency_s: float | None = None
    anonymous_refused: bool | None = None
    proofs: tuple[Proof, ...] = ()


def judge_source(
    source: Source, rig: RigFile, tally: SourceTally, around: Surroundings
) -> SourceReport:
    """Judges one source.

    Args:
        source: its table in the rig file.
        rig: the whole rig file.
        tally: what came from it while listening.
        around: what else is known of it.
    """
    clock = clock_of(tally)
    findings = [
        *_life(source, tally),
        *_losses(source, tally),
        *_pace(source, tally),
        *_names(source, rig, tally),
        *(clock_findings(source, tally, clock) if tally.packs else ()),
        *_adapter(source, around),
        *_login(source, around),
        *_proofs(source, around),
    ]
    return SourceReport(document=_document(source, tally, clock, around), findings=tuple(findings))


def rate_hz(count: int, first_ns: int | None, last_ns: int | None) -> float | None:
    """Events a second from the first to the last of them; None where that says nothing."""
    if count < 2 or first_ns is None or last_ns is None or last_ns <= first_ns:
        return None
    return (count - 1) / ((last_ns - first_ns) * 1e-9)


def address(source: Source) -> str:
    """Port, broker and topic, or the address of a device on a network."""
    return source.port or " ".join(filter(None, (source.url, source.topic)))


def _document(
    source: Source, tally: SourceTally, clock: ClockFit | None, around: Surroundings
) -> dict[str, Any]:
    rate = rate_hz(tally.packs, tally.first_ns, tally.last_ns)
    return {
        "id": source.id,
        "kind": source.kind,
        "address": address(source),
        "open": tally.is_open,
        "reason": tally.failure.what if tally.failure else None,
        "would_do": tally.failure.would_do if tally.failure else None,
        "packs": tally.packs,
        "readings": tally.readings,
        "rate_hz": None if rate is None else round(rate, 3),
        "bad_frames": tally.bad_frames,
        "missing_packs": tally.missing,
        "repeated_packs": tally.repeated,
        "retained_messages": tally.retained,
        "restarts": tally.restarts,
        "losses": tally.lost,
        "missed_polls": tally.missed_polls,
        "tells_up": tally.tells_up > 0,
        "utc_off_s": None if tally.utc_off_s is None else round(tally.utc_off_s, 3),
        "answers_time": tally.answers > 0 if source.time_exchange else None,
        "clock": None if clock is None else clock.to_json() | {"drift_ppm": drift_ppm(clock)},
        "adapter_latency_s": around.adapter_latency_s,
        "left_out": sorted(tally.unknown),
        "anonymous_login_refused": around.anonymous_refused,
        "broker_proofs": [p.to_json() for p in around.proofs],
    }


def _life(source: Source, tally: SourceTally) -> Iterator[Finding]:
    if tally.failure is not None:
        yield Finding(
            code="source_not_opened",
            severity=Severity.NOT_READY,
            where=tally.failure.where,
            text=tally.failure.what,
            would_do=tally.failure.would_do,
        )
    elif not tally.packs and tally.bad_frames:
        yield of_source(
            source.id,
            "nothing_decoded",
            Severity.NOT_READY,
            f"{tally.bad_frames} {HINTS[source.kind].bad_frames}, not one good: {tally.bad_text}",
            HINTS[source.kind].undecoded,
        )
    elif not tally.packs:
        yield of_source(
            source.id,
            "source_silent",
            Severity.NOT_READY,
            f"{address(source)} was opened and nothing comes"
            + (f" ({tally.lost_text})" if tally.lost else ""),
            HINTS[source.kind].silent,
        )


def _losses(source: Source, tally: SourceTally) -> Iterator[Finding]:
    if not tally.packs:
        return  # its silence is a finding already
    if tally.is_away:
        yield of_source(
            source.id,
            "source_lost",
            Severity.NOT_READY,
            f"was lost and has not come back: {tally.lost_text}",
            "see plug, cable and power",
        )
    elif tally.lost:
        yield of_source(
            source.id,
            "source_lost",
            Severity.CAUTION,
            f"was lost {_times(tally.lost)} and came back: {tally.lost_text}",
            "see plug, cable and power",
        )
    if tally.bad_frames:
        share = tally.bad_frames / (tally.packs + tally.bad_frames)
        yield of_source(
            source.id,
            "bad_frames",
            Severity.CAUTION,
            f"{tally.bad_frames} {HINTS[source.kind].bad_frames}, {100 * share:.2g} % of all: "
            f"{tally.bad_text}",
            hint_for_bad(source),
        )
    for count, code, words, would_do in (
        (
            tally.missing,
            "packs_missing",
            "packs are missing by the device's own count",
            "a slower or shorter line, fewer readings a second, or QoS 1 would keep them",
        ),
        (
            tally.repeated,
            "packs_repeated",
            "packs came twice and were taken once",
            "see whether the device sends each pack once, and counts on",
        ),
        (
            tally.retained,
            "retained_messages",
            "messages were kept by the broker from earlier and are no readings",
            "publish readings without the retain flag, and clear the topic",
        ),
        (
            tally.restarts,
            "device_restarted",
            "new starts of the device while listening",
            "see its power supply",
        ),
        (
            tally.overflow,
            "readings_overflowed",
            "readings came faster than this computer takes them",
            "fewer readings a second, or packs of many readings",
        ),
    ):
        if count > 0:
            yield of_source(source.id, code, Severity.CAUTION, f"{count} {words}", would_do)


def _pace(source: Source, tally: SourceTally) -> Iterator[Finding]:
    asked = tally.packs + tally.bad_frames
    if tally.missed_polls > _MISSED_SHARE * asked:
        yield of_source(
            source.id,
            "polls_missed",
            Severity.CAUTION,
            f"{tally.missed_polls} questions could not be asked in time: {tally.missed_text}",
            "a longer 'poll', a higher 'baud', fewer stretches of registers, or fewer devices on "
            "one line",
        )


def _names(source: Source, rig: RigFile, tally: SourceTally) -> Iterator[Finding]:
    wired = [c.name for c in rig.channel if c.source == source.id]
    unheard = [name for name in wired if name not in tally.names]
    for name in sorted(tally.unknown)[:_NAMES_SHOWN]:
        meant = nearest_name(name, unheard)
        yield of_source(
            source.id,
            "name_left_out",
            Severity.NOTE,
            f"sends {name!r}, which the rig file leaves out",
            "" if meant is None else f"if {meant!r} is meant, write name = {name!r} there",
        )
    more = len(tally.unknown) - _NAMES_SHOWN
    if more > 0:
        yield of_source(
            source.id,
            "name_left_out",
            Severity.NOTE,
            f"sends {more} more names which the rig file leaves out",
        )


def _adapter(source: Source, around: Surroundings) -> Iterator[Finding]:
    latency_s = around.adapter_latency_s
    if latency_s is not None and latency_s > MOST_ADAPTER_LATENCY_S:
        device = Path(source.port or "").resolve().name
        timer = f"/sys/bus/usb-serial/devices/{device}/latency_timer"
        yield of_source(
            source.id,
            "adapter_holds_back",
            Severity.CAUTION,
            f"its USB adapter may hold readings back for {1000 * latency_s:g} ms",
            f"run 'echo 1 | sudo tee {timer}'",
        )


def _login(source: Source, around: Surroundings) -> Iterator[Finding]:
    if around.anonymous_refused is not False:
        return
    loopback = urlsplit(source.url or "").hostname in ("127.0.0.1", "::1", "localhost")
    yield of_source(
        source.id,
        "anonymous_login",
        Severity.NOTE if loopback and source.user is None else Severity.CAUTION,
        "its broker lets anyone in without a name: whoever reaches it can send readings",
        "refuse it at the broker (mosquitto: 'allow_anonymous false' and a password_file), "
        "and give 'user' and 'password_file' (`slewtrace broker` writes all of it)",
    )


def _proofs(source: Source, around: Surroundings) -> Iterator[Finding]:
    for proof in around.proofs:
        if proof.holds is False and proof.code:
            yield of_source(
                source.id,
                proof.code,
                Severity.CAUTION,
                f"its broker does not hold to this: {proof.what}",
                "give it the rules and passwords that `slewtrace broker` writes",
            )


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"
