"""A whole check: open, listen, judge, let a person exercise what only a hand can show, report."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from logger.live.broker.proof import prove_device, prove_nobody, prove_source
from logger.live.check.calibration_check import overdue_calibrations
from logger.live.check.channel_check import (
    judge_channel,
    missing_channels,
    only_changes,
    stuck,
)
from logger.live.check.findings import Finding, Severity, of_source
from logger.live.check.guide import Answers, Done, Guide
from logger.live.check.known_value import known_weight, tape_radius
from logger.live.check.listening import Listener, SourceTally
from logger.live.check.report import make_report
from logger.live.check.slew_steps import EncoderStep, ZeroStep
from logger.live.check.source_check import Surroundings, judge_source
from logger.live.check.steps import Step
from logger.live.check.switch_step import SwitchStep
from logger.live.check.tap_step import tap_steps
from logger.operating_system import steady_ns
from logger.readings.rig_file import RigFile, Source
from logger.readings.test_file import TestFile
from logger.sources.anonymous_login import anonymous_login_refused
from logger.sources.opening import open_sources
from logger.sources.serial_port import adapter_latency_s

NOT_OPEN = "its source is not open"

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Listened:
    """What the listening showed.

    Attributes:
        sources: plain objects of the report.
        channels: likewise.
        findings: what was found so far.
    """

    sources: tuple[dict[str, Any], ...]
    channels: tuple[dict[str, Any], ...]
    findings: tuple[Finding, ...]


OnListened = Callable[[Listened], None]


def check(
    rig: RigFile,
    test: TestFile | None,
    rig_toml: str,
    *,
    listen_s: float,
    say: Say,
    answers: Answers | None = None,
    on_listened: OnListened | None = None,
    broker_folder: Path | None = None,
) -> tuple[dict[str, Any], list[Finding]]:
    """Checks the rig; every source is stopped at the end, whatever happens.

    Args:
        rig: what is wired to what.
        test: what is to be tested, where that is known.
        rig_toml: the rig file's text.
        listen_s: how long to listen, s.
        say: shows a line of progress, or a prompt.
        answers: what the person types; None to leave the guided steps out.
        on_listened: shown what the listening found, before the first step.
        broker_folder: what `slewtrace broker` made, whose logins are tried one by one.

    Returns:
        The report, and its findings.
    """
    start_ns, utc_start_ns = steady_ns(), time.time_ns()
    listener = Listener(
        rig,
        open_sources(rig, purpose="check"),
        clock=lambda: steady_ns() - start_ns,
        utc_start_ns=utc_start_ns,
    )
    with listener:
        say(f"Opening {_count(rig.source, 'source')} …")
        listener.open()
        say(f"Listening for {listen_s:g} s. Leave everything still, all tyres on the ground.")
        listened = _listen(rig, test, listener, listen_s, broker_folder)
        if on_listened is not None:
            on_listened(listened)
        done = _exercise(plan_steps(rig, test), rig, listener, answers=answers, say=say)
        findings = all_findings(rig, listener, listened, done, guided=answers is not None)
    report = make_report(
        rig_toml=rig_toml,
        utc=f"{datetime.fromtimestamp(utc_start_ns // 10**9, UTC):%Y-%m-%dT%H:%M:%SZ}",
        sources=listened.sources,
        channels=listened.channels,
        done=done,
        findings=findings,
    )
    return report, findings


def plan_steps(rig: RigFile, test: TestFile | None) -> list[Step]:
    """The guided steps that a rig can be led through, in order."""
    steps: list[Step] = [
        SwitchStep(wheel, tuple(c for c in rig.wheels if c.id != wheel.id)) for wheel in rig.wheels
    ]
    slew, load, radius = (rig.wired(c) for c in ("slew", "load", "radius"))
    if slew is not None:
        steps.append(EncoderStep(slew))
        steps.append(
            ZeroStep(slew)
            if test is None
            else ZeroStep(slew, angle_step_deg=test.method.angle_step_deg)
        )
    if load is not None:
        below = "" if test is None else f"{test.load.mass_kg - test.load.above_cell_kg:g} kg"
        steps.append(known_weight(load, below_cell=below))
    if radius is not None:
        steps.append(tape_radius(radius))
    return [*steps, *tap_steps(rig)]


def _exercise(
    steps: list[Step], rig: RigFile, listener: Listener, *, answers: Answers | None, say: Say
) -> list[Done]:
    """How each step ended; those of sources that are not open are not offered."""
    tallies = listener.tallies()
    offered = [s for s in steps if _open(s, rig, tallies)]
    if answers is None:
        done = [Done(step=s, why="no guided steps") for s in offered]
    else:
        done = Guide(listener, answers, say).lead(offered)
    done += [Done(step=s, why=NOT_OPEN) for s in steps if s not in offered]
    return sorted(done, key=lambda d: steps.index(d.step))


def _listen(
    rig: RigFile,
    test: TestFile | None,
    listener: Listener,
    listen_s: float,
    broker_folder: Path | None,
) -> Listened:
    since_ns = listener.clock()
    time.sleep(listen_s)
    window_ns = (since_ns, listener.clock())
    tallies = listener.tallies()
    sources = [
        judge_source(s, rig, tallies[s.id], _surroundings(s, rig, tallies[s.id], broker_folder))
        for s in rig.source
    ]
    channels = [
        judge_channel(
            c,
            listener.heard(c.id, since_ns=since_ns),
            window_ns=window_ns,
            tallies=tallies,
        )
        for c in rig.channel
    ]
    missing = (
        [] if test is None else missing_channels([c.id for c in rig.channel], test.truck.wheels)
    )
    return Listened(
        sources=tuple(s.document for s in sources),
        channels=tuple(c.document for c in channels),
        findings=(
            *missing,
            *overdue_calibrations(rig, today=f"{datetime.now(UTC):%Y-%m-%d}"),
            *(f for s in sources for f in s.findings),
            *(f for c in channels for f in c.findings),
        ),
    )


def _surroundings(
    source: Source, rig: RigFile, tally: SourceTally, broker_folder: Path | None
) -> Surroundings:
    if source.port is not None:
        return Surroundings(adapter_latency_s=adapter_latency_s(source.port))
    if source.kind != "mqtt" or not tally.is_open:
        return Surroundings()
    refused = anonymous_login_refused(source)
    proofs = (prove_nobody(refused=refused), *prove_source(source, os.environ))
    if broker_folder is not None:
        proofs += prove_device(source, rig, broker_folder)
    return Surroundings(anonymous_refused=refused, proofs=proofs)


def all_findings(
    rig: RigFile, listener: Listener, listened: Listened, done: list[Done], *, guided: bool
) -> list[Finding]:
    """Those of the listening, mended by what the steps showed, and those of the steps.

    Args:
        rig: what is wired to what.
        listener: what was heard in all.
        listened: what the listening showed.
        done: the steps.
        guided: whether there was a person to lead.
    """
    findings = [f for f in listened.findings if not _came_alive(f, done)]
    for channel in rig.channel:
        where = f"channel {channel.id!r}"
        if any(_came_alive(f, done) for f in listened.findings if f.where == where):
            findings.append(only_changes(channel))
        standing_still = stuck(channel, listener.heard(channel.id))
        if standing_still is not None:
            findings.append(standing_still)
    for source, tally in listener.tallies().items():
        findings += _lost_meanwhile(source, tally, findings)
    findings += [f for d in done if d.judgement is not None for f in d.judgement.findings]
    return findings + _left_out(done, guided=guided)


def _left_out(done: list[Done], *, guided: bool) -> list[Finding]:
    """A caution for the steps that were not exercised, unless their source is a finding already."""
    titles = [d.step.title for d in done if d.judgement is None and d.why != NOT_OPEN]
    if not titles:
        return []
    return [
        Finding(
            code="steps_not_exercised",
            severity=Severity.CAUTION,
            where="guided steps",
            text=f"{len(titles)} not exercised: {'; '.join(titles)}",
            would_do="run the check again and carry them out"
            if guided
            else "run the check in a terminal, or with --guided",
        )
    ]


def _came_alive(finding: Finding, done: list[Done]) -> bool:
    """Whether a wheel that said nothing while listening spoke when its switch was exercised."""
    return finding.code == "channel_dead" and any(
        d.step.name == "wheel_switch"
        and d.judgement is not None
        and d.judgement.figures.get("changes")
        and finding.where == f"channel {d.step.channels[0]!r}"
        for d in done
    )


def _lost_meanwhile(source: str, tally: SourceTally, findings: list[Finding]) -> list[Finding]:
    where = f"source {source!r}"
    told = ("source_lost", "source_silent")
    if not tally.lost or any(f.code in told and f.where == where for f in findings):
        return []
    return [
        of_source(
            source,
            "source_lost",
            Severity.NOT_READY if tally.is_away else Severity.CAUTION,
            f"was lost during the steps: {tally.lost_text}",
            "see plug, cable and power",
        )
    ]


def _open(step: Step, rig: RigFile, tallies: dict[str, SourceTally]) -> bool:
    wired = [rig.wired(c) for c in step.channels]
    return all(c is not None and tallies[c.source].is_open for c in wired)


def _count(things: tuple[object, ...], noun: str) -> str:
    return f"{len(things)} {noun}{'' if len(things) == 1 else 's'}"
