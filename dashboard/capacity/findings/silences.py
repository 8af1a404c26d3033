"""Findings about what was not heard: stale channels, readings lost on the way."""

from __future__ import annotations

from collections.abc import Iterator

from dashboard.capacity.findings.finding import Finding, Severity, place_in
from dashboard.capacity.findings.load import hung_in
from dashboard.capacity.proof.evidence import Evidence, LostReadings, SlewRecord
from dashboard.capacity.proof.sweeps import Sweep
from logger.readings.rig_file import WHEEL

_WORDS = {
    "missing_packs": "packs were lost on the way",
    "late_packs": "packs came late",
    "lost": "the connection was lost",
    "overflow": "readings came faster than they could be taken",
    "bad_frames": "frames were damaged, or not good by their own word, and dropped",
    "suspended": "the recording computer slept",
    "storage": "the disk refused readings",
}


def silence_findings(evidence: Evidence, slew: SlewRecord, sweep: Sweep) -> Iterator[Finding]:
    """What silence in a sweep gives reason to say."""
    yield from _stale(evidence, slew, sweep)
    yield from _readings_lost(evidence, slew, sweep)


def _stale(evidence: Evidence, slew: SlewRecord, sweep: Sweep) -> Iterator[Finding]:
    hung = hung_in(evidence, sweep)
    for channel, spans in evidence.stale.items():
        silent = spans & hung
        if not silent.pairs:
            continue
        what = "switch" if channel.startswith(WHEEL) else "sensor"
        place = place_in(sweep, slew, (silent.pairs[0][0], silent.pairs[-1][1]))
        times = "" if len(silent) == 1 else f", {len(silent)} times in all"
        yield Finding(
            code=f"{what}_stale",
            severity=Severity.INVALID,
            t_ns=silent.pairs[0][0],
            text=f"{channel} sent nothing fresh for {silent.total_ns * 1e-9:.1f} s of the "
            f"{sweep.side} sweep, {place.words}{times}.",
            effect="Nothing is proved while it was silent: those angles are untested.",
            what_to_do=f"Check the supply, cable and radio link of {channel}, and sweep over "
            "those angles again.",
            place=place,
        )


def _readings_lost(evidence: Evidence, slew: SlewRecord, sweep: Sweep) -> Iterator[Finding]:
    inside = [x for x in evidence.lost if sweep.start_ns <= x.t_ns <= sweep.end_ns]
    for source in dict.fromkeys(x.source for x in inside):
        lost = [x for x in inside if x.source == source]
        packs = sum(_packs(x) for x in lost)
        others = [x for x in lost if x.kind not in ("missing_packs", "late_packs")]
        if packs <= 0 and not others:
            continue
        why = "; ".join(dict.fromkeys(_WORDS.get(x.kind, x.kind) for x in others or lost[:1]))
        count = f" ({packs} packs)" if packs > 0 else ""
        place = place_in(sweep, slew, (lost[0].t_ns, lost[-1].t_ns + 1))
        yield Finding(
            code="readings_lost",
            severity=Severity.CAUTION if others else Severity.NOTE,
            t_ns=lost[0].t_ns,
            text=f"Readings of {source} are missing in the {sweep.side} sweep{count}: {why}.",
            effect="A lift is dated between the readings that did come, so its interval is that "
            "much wider; a shorter opening may have gone unseen.",
            what_to_do=f"Check the link of {source}, and repeat the sweep where the gap lies near "
            "a lift.",
            place=place,
        )


def _packs(lost: LostReadings) -> int:
    missing = lost.missing or 0
    return -missing if lost.kind == "late_packs" else missing
