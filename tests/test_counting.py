"""Which sweep of a side counts, why the others do not, and where two of them disagree."""

from __future__ import annotations

from dataclasses import replace

import pytest

from dashboard.capacity.sectors.counting import counted_sweeps, counting_sweep, disagreements
from logger.events.sweep import Side
from tests.made_sweeps import REQUIRED_NM, made_hold, made_lift, made_sweep

SECOND = 1_000_000_000


def plain(*, until, at_s=0, share=1.01, side=Side.RIGHT, u_load_kg=1.0):
    """A sweep without a lift."""
    start_ns = at_s * SECOND
    hold = made_hold(
        (0.0, until), share=share, start_ns=start_ns, end_ns=start_ns + SECOND, u_load_kg=u_load_kg
    )
    return made_sweep([hold], side=side)


def lifted(*, at, until, at_s=0, share=1.01, then=0.9, side=Side.RIGHT):
    """A sweep with one lift, the rest at a lesser share."""
    start_ns = at_s * SECOND
    lift_ns = start_ns + SECOND
    return made_sweep(
        [
            made_hold((0.0, at), share=share, start_ns=start_ns, end_ns=lift_ns, u_load_kg=1.0),
            made_hold(
                (at + 0.5, until),
                share=then,
                start_ns=lift_ns + SECOND,
                end_ns=lift_ns + 2 * SECOND,
                u_load_kg=1.0,
            ),
        ],
        [made_lift(at - 0.1, at + 0.1, t_ns=lift_ns, stopped_deg=at + 0.5, side=side)],
        side=side,
    )


def empty(*, at_s=0):
    """A sweep all along which some wheel was open or some switch silent."""
    sweep = plain(until=171.0, at_s=at_s)
    return replace(sweep, holds=tuple(replace(h, covered=()) for h in sweep.holds))


def counts(*sweeps):
    return [c.counts for c in counted_sweeps(sweeps)]


def told(*sweeps, **kwargs):
    return disagreements(counted_sweeps(sweeps), required_nm=REQUIRED_NM, **kwargs)


def test_the_latest_sweep_that_was_carried_through_counts():
    """Of two whole sweeps the later; a broken-off repeat undoes nothing; a lift carries through."""
    whole, again = plain(until=171.0), plain(until=170.0, at_s=100)

    assert counts(whole) == [True]
    assert counts(whole, again) == [False, True]
    assert counts(whole, plain(until=60.0, at_s=100)) == [True, False]
    assert counts(plain(until=60.0), again) == [False, True]
    assert counts(whole, lifted(at=40.0, until=50.0, at_s=100)) == [False, True]


def test_nine_tenths_of_the_way_is_carried_through():
    """A repeat to 153.9° of 171° counts; one to 153.8° was broken off."""
    whole = plain(until=171.0)

    assert counts(whole, plain(until=153.9, at_s=100)) == [False, True]
    assert counts(whole, plain(until=153.8, at_s=100)) == [True, False]


def test_each_side_counts_for_itself():
    """The left sweep does not undo the right one."""
    counted = counted_sweeps((plain(until=171.0), plain(until=60.0, side=Side.LEFT)))

    assert [c.counts for c in counted] == [True, True]
    assert counting_sweep(counted, Side.LEFT).side is Side.LEFT
    assert counting_sweep(counted[:1], Side.LEFT) is None


@pytest.mark.parametrize("later", [True, False])
def test_a_sweep_that_covered_nothing_never_stands_for_one_that_did(later):
    """A switch silent all along: the other sweep counts, though it went less far."""
    other = plain(until=100.0, at_s=50)
    pair = (other, empty(at_s=100)) if later else (empty(), other)

    assert counts(*pair) == [s is other for s in pair]
    assert counts(empty(), empty(at_s=100)) == [False, True]


def test_every_sweep_has_its_reason_in_words():
    """Why it counts, or what was wrong with it and which counts instead."""
    sweeps = (
        plain(until=171.0),
        plain(until=41.2, at_s=50),
        empty(at_s=70),
        plain(until=170.0, at_s=90),
    )
    reasons = [c.reason for c in counted_sweeps(sweeps)]

    assert reasons == [
        "sweep 4 of the same side came later and counts",
        "broken off at 41.2° without a lift; sweep 4 counts",
        (
            "covered no angle with the load hanging, every wheel down and every switch speaking; "
            "sweep 4 counts"
        ),
        "counts: the latest of its side that was carried through",
    ]
    assert counted_sweeps(sweeps[:1])[0].reason == "counts: the only sweep of its side"
    assert "proves nothing" in counted_sweeps((empty(),))[0].reason


@pytest.mark.parametrize("side", list(Side))
def test_a_lift_where_the_latest_stayed_down_is_a_disagreement(side):
    """Lifted at 74.6°, then down to 170° at the same moment: told with both numbers."""
    (found,) = told(
        lifted(at=74.6, until=171.0, side=side), plain(until=170.0, at_s=100, side=side)
    )

    assert (found.kind, found.side, found.other, found.counting) == ("lifted", side, 1, 2)
    assert found.t_ns == SECOND
    assert found.from_deg == pytest.approx(74.6)
    assert found.to_deg == pytest.approx(170.0)
    assert "rear_left lifted at 74.6° with 53.63 kN·m" in found.text
    assert "down to 170.0° with 53.63 kN·m" in found.text


def test_a_later_lift_of_the_latest_is_a_disagreement_too():
    """74.6° and then 80.2° at the same moment; 74.6° and 74.7° are the same within 0.3°."""
    first = lifted(at=74.6, until=171.0)
    (found,) = told(first, lifted(at=80.2, until=171.0, at_s=100))

    assert found.kind == "lifted"
    assert found.to_deg == pytest.approx(80.1)
    assert told(first, lifted(at=74.7, until=171.0, at_s=100)) == ()


def test_a_lift_at_a_greater_moment_contradicts_nothing():
    """Lifted with 105 %, then down all along with 101 %: no contradiction."""
    heavy = lifted(at=74.6, until=171.0, share=1.05, then=1.01)

    assert told(heavy, plain(until=171.0, at_s=100)) == ()


def test_a_lift_in_a_broken_off_repeat_counts_and_the_better_earlier_sweep_is_no_disagreement():
    """The latest is the worse one: it decides, and nothing better is claimed."""
    assert told(plain(until=171.0), lifted(at=40.0, until=50.0, at_s=100)) == ()


def test_less_that_was_proved_earlier_is_told():
    """98 % and then 100 % over the same angles, no lift in either."""
    (found,) = told(plain(until=171.0, share=0.985), plain(until=170.0, at_s=100))

    assert (found.kind, found.from_deg, found.to_deg) == ("proved_less", 0.0, 170.0)
    assert "sweep 1 proved 98 % and sweep 2" in found.text
    assert "100 %" in found.text
    assert told(plain(until=171.0), plain(until=170.0, at_s=100)) == ()


def test_a_stretch_that_the_other_never_covered_is_no_disagreement():
    """A sweep broken off at 60° says nothing of what lies beyond it."""
    assert told(plain(until=171.0), plain(until=60.0, at_s=100)) == ()
    assert told(plain(until=60.0), plain(until=171.0, at_s=100)) == ()
