"""Findings about what the contacts told: lifts where none belong, outriggers not set."""

from __future__ import annotations

from collections.abc import Iterator

from dashboard.capacity.findings.finding import Finding, Place, Severity, place_in
from dashboard.capacity.findings.lift_limits import takes_something
from dashboard.capacity.findings.load import hung_in
from dashboard.capacity.proof.evidence import Evidence, SlewRecord
from dashboard.capacity.proof.sweeps import Sweep
from dashboard.capacity.rounding import round_down
from logger.events.sweep import OVER_REAR_DEG
from logger.events.wheel_lift import WheelLift
from logger.readings.spans import Spans

OUTRIGGER = "outrigger"
OUTSIDE_EFFECT = "It counts for no sector, so the sectors may be better than the truck is."
SETTLING_NS = 1_000_000_000
"""An outrigger that opens within a second of the load's hanging was not set firmly."""


def contact_findings(evidence: Evidence, slew: SlewRecord, sweep: Sweep) -> Iterator[Finding]:
    """What the contacts of a sweep give reason to say."""
    yield from _wheel_open_before_the_start(evidence, slew, sweep)
    yield from _lift_over_rear(evidence, slew, sweep)
    yield from _travel_unknown(evidence, slew, sweep)
    yield from _outriggers(evidence, slew, sweep)


def _wheel_open_before_the_start(
    evidence: Evidence, slew: SlewRecord, sweep: Sweep
) -> Iterator[Finding]:
    for begins_ns, ends_ns in hung_in(evidence, sweep):
        for lift in evidence.lifts:
            if lift.t_ns < begins_ns and (lift.end_ns is None or lift.end_ns > begins_ns):
                until_ns = min(ends_ns, ends_ns if lift.end_ns is None else lift.end_ns)
                place = place_in(sweep, slew, (begins_ns, until_ns))
                yield Finding(
                    code="wheel_open_before_the_start",
                    severity=Severity.INVALID,
                    t_ns=lift.t_ns,
                    text=f"Wheel {lift.wheel} was off the ground when the load began to hang on "
                    f"the {sweep.side} sweep.",
                    effect=f"Nothing is proved {place.words}, until it comes down.",
                    what_to_do=f"Look at the tyre and the switch of {lift.wheel}, and begin with "
                    "every wheel on the ground.",
                    place=place,
                )


def _lift_over_rear(evidence: Evidence, slew: SlewRecord, sweep: Sweep) -> Iterator[Finding]:
    first = sweep.first_lift
    if first is None:
        return
    low_deg = min(sweep.outward_deg(first.low_deg), sweep.outward_deg(first.high_deg))
    step_deg = evidence.test.method.angle_step_deg
    if low_deg < max(OVER_REAR_DEG, step_deg):
        full_deg = round_down(low_deg, step_deg)
        yield _first_lift_over_rear(
            wheel=first.wheel,
            t_ns=first.t_ns,
            slew_deg=first.slew_deg,
            effect=(
                f"No full sector on the {sweep.side} reaches beyond {full_deg:g}° on the strength "
                "of this sweep: what follows is reduced or untested."
                if full_deg > 0
                else "There is no full sector at all on the strength of this sweep: what follows "
                "is reduced or untested."
            ),
            place=place_in(sweep, slew, (first.t_ns, first.t_ns + 1)),
        )


def _first_lift_over_rear(
    *, wheel: str, t_ns: int, slew_deg: float, effect: str, place: Place | None
) -> Finding:
    return Finding(
        code="first_lift_over_rear",
        severity=Severity.CAUTION,
        t_ns=t_ns,
        text=f"Wheel {wheel} lifted over the rear already, at {abs(slew_deg):.1f}°.",
        effect=effect,
        what_to_do="Look at the truck's load and ballast and at the outriggers, and begin again "
        "over the rear at a smaller radius.",
        place=place,
    )


def _travel_unknown(evidence: Evidence, slew: SlewRecord, sweep: Sweep) -> Iterator[Finding]:
    for lift in sweep.lifts:
        if not lift.travel_unknown:
            continue
        travel_m = evidence.travel_m.get(lift.wheel, 0.0)
        yield Finding(
            code="switch_travel_unknown",
            severity=Severity.CAUTION,
            t_ns=lift.t_ns,
            text=f"The switch of {lift.wheel} opens up to {1000 * travel_m:.0f} mm late, and "
            "nothing tells how fast the wheel rose.",
            effect=f"The lift may have come before {abs(lift.low_deg):.1f}°, and the sector may "
            "reach too far.",
            what_to_do="Give the test file a [model], or set the switch so that it opens with the "
            "tyre.",
            place=place_in(sweep, slew, (lift.t_ns, lift.t_ns + 1)),
        )


def _outriggers(evidence: Evidence, slew: SlewRecord, sweep: Sweep) -> Iterator[Finding]:
    hung = hung_in(evidence, sweep)
    for name, opened in evidence.contacts.items():
        if name not in _outrigger_names(evidence):
            continue
        for start_ns, end_ns in opened & hung:
            begun_ns = next(a for a, b in hung if a <= start_ns < b)
            set_up = start_ns > begun_ns + SETTLING_NS
            place = place_in(sweep, slew, (start_ns, end_ns))
            yield _outrigger_lifted(name, place) if set_up else _outrigger_not_set(name, place)


def _outrigger_not_set(name: str, place: Place) -> Finding:
    return Finding(
        code="outrigger_not_set",
        severity=Severity.CAUTION,
        t_ns=place.start_ns,
        text=f"The contact of {name} was open from when the load began to hang, "
        f"{place.words}: the outrigger bore nothing.",
        effect="The result is that of the truck without this outrigger, and holds for no other "
        "way of setting it up.",
        what_to_do=f"Set {name} firmly as the crane's manual says, and sweep again.",
        place=place,
    )


def _outrigger_lifted(name: str, place: Place) -> Finding:
    return Finding(
        code="outrigger_lifted",
        severity=Severity.CAUTION,
        t_ns=place.start_ns,
        text=f"The contact of {name} opened under the load, {place.words}.",
        effect="It counts as no wheel lift, but the truck stood on fewer supports there.",
        what_to_do=f"Look whether {name} needs more preload or firmer ground; where the method "
        "counts its lift, name it among the truck's wheels.",
        place=place,
    )


def _outrigger_names(evidence: Evidence) -> tuple[str, ...]:
    """Outriggers of the truck model, and contacts that are called so."""
    model = evidence.test.model
    modelled = () if model is None else (s.name for s in model.supports if s.kind == OUTRIGGER)
    called = (name for name in evidence.contacts if OUTRIGGER in name)
    return tuple(dict.fromkeys((*modelled, *called)))


def contacts_of_the_run(evidence: Evidence, sweeps: tuple[Sweep, ...]) -> Iterator[Finding]:
    """What the contacts tell outside of sweeps, and what nobody watched."""
    yield from _lift_without_load(evidence)
    yield from _lift_outside_a_sweep(evidence, sweeps)
    watched = {*evidence.contacts, *evidence.test.truck.wheels}
    unwatched = [name for name in _outrigger_names(evidence) if name not in watched]
    if unwatched:
        yield Finding(
            code="outrigger_not_watched",
            severity=Severity.NOTE,
            t_ns=None,
            text=f"No contact watched {', '.join(unwatched)}.",
            effect="Whether the outriggers were set and stayed so is the tester's word alone.",
            what_to_do=f"Wire a contact 'wheel/{unwatched[0]}', or note by hand how the "
            "outriggers were set.",
        )
    if evidence.only_changes:
        yield Finding(
            code="switch_reports_only_changes",
            severity=Severity.CAUTION,
            t_ns=None,
            text=f"Nothing tells whether {', '.join(evidence.only_changes)} still spoke: the "
            "switch reports only changes.",
            effect="A dead switch looks like a wheel on the ground, so a lift may have gone "
            "unseen.",
            what_to_do="Let the switch repeat its state and set 'stale_after' in the rig file.",
        )


def _lift_without_load(evidence: Evidence) -> Iterator[Finding]:
    last_ns = evidence.run_ns[1] + 1
    for wheel, of_wheel in _by_wheel(evidence).items():
        empty = [
            x
            for x in of_wheel
            if not (evidence.hanging & Spans.of([(x.t_ns, x.end_ns or last_ns)])).pairs
        ]
        if empty:
            times = "once" if len(empty) == 1 else f"{len(empty)} times"
            yield Finding(
                code="lift_without_load",
                severity=Severity.NOTE,
                t_ns=empty[0].t_ns,
                text=f"Wheel {wheel} lifted {times} with no load hanging.",
                effect="None: it is no test result.",
                what_to_do="Look whether the switch was knocked or the wheel raised on purpose.",
                place=Place(start_ns=empty[0].t_ns, end_ns=empty[-1].end_ns or last_ns),
            )


def _lift_outside_a_sweep(evidence: Evidence, sweeps: tuple[Sweep, ...]) -> Iterator[Finding]:
    last_ns = evidence.run_ns[1] + 1
    told = {t_ns for s in sweeps for t_ns in takes_something(s)}
    for wheel, of_wheel in _by_wheel(evidence).items():
        outside = [
            x
            for x in of_wheel
            if x.t_ns in evidence.hanging
            and not any(s.start_ns <= x.t_ns <= s.end_ns for s in sweeps)
            and x.t_ns not in told
        ]
        if not outside:
            continue
        first = outside[0]
        angle_deg = None if evidence.slew is None else evidence.slew.at(first.t_ns)
        place = Place(start_ns=first.t_ns, end_ns=first.end_ns or last_ns)
        if angle_deg is not None and abs(angle_deg) <= OVER_REAR_DEG:
            yield _first_lift_over_rear(
                wheel=wheel,
                t_ns=first.t_ns,
                slew_deg=angle_deg,
                effect=OUTSIDE_EFFECT,
                place=place,
            )
            continue
        yield Finding(
            code="lift_outside_a_sweep",
            severity=Severity.CAUTION,
            t_ns=first.t_ns,
            text=f"Wheel {wheel} lifted with the load hanging outside of any sweep.",
            effect=OUTSIDE_EFFECT,
            what_to_do="Look at it in the recording before trusting the sectors, and sweep over "
            "that angle again.",
            place=place,
        )


def _by_wheel(evidence: Evidence) -> dict[str, list[WheelLift]]:
    wheels = dict.fromkeys(lift.wheel for lift in evidence.lifts)
    return {wheel: [x for x in evidence.lifts if x.wheel == wheel] for wheel in wheels}
