"""Capacity sectors of made sweeps, against a twin that asks angle by angle."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from dashboard.capacity.sectors.levels import Level, Stretch, rounded_levels, without_slivers
from dashboard.capacity.sectors.sectors import over_cab_gap, percent_of, sectors_of_side
from dashboard.figures.palette import LIGHT
from dashboard.figures.sectors import sectors_figure
from logger.events.sweep import Side
from logger.readings.method_table import Method
from tests.made_sweeps import REQUIRED_NM, made_hold, made_lift, made_sweep

JOIN_DEG = 0.3
GRID_DEG = 0.01
ANGLES_DEG = (np.arange(18_000) + 0.5) * GRID_DEG


@dataclass(frozen=True)
class Told:
    """One hold of a made sweep: where it was, its share of M_q, and how it ended."""

    from_deg: float
    to_deg: float
    share: float
    lifted: bool
    overshoot_deg: float


def sweep_of(told, side=Side.RIGHT):
    """The sweep of a row of holds; one that lifted ends 0.2° after the lift's low angle."""
    holds, lifts = [], []
    for index, hold in enumerate(told):
        start_ns, end_ns = 1000 * index, 1000 * index + 900
        if hold.lifted:
            lifts.append(
                made_lift(
                    hold.to_deg - 0.2,
                    hold.to_deg + 0.1,
                    t_ns=end_ns,
                    stopped_deg=hold.to_deg + hold.overshoot_deg,
                    side=side,
                )
            )
        holds.append(
            made_hold(
                (hold.from_deg, hold.to_deg), share=hold.share, start_ns=start_ns, end_ns=end_ns
            )
        )
    return made_sweep(holds, lifts, side=side)


def sectors(told, side=Side.RIGHT, **method):
    method = {"sectors": "steps"} | method
    return sectors_of_side(
        side,
        sweep_of(told, side),
        u_end_deg=0.0,
        required_nm=REQUIRED_NM,
        method=Method.model_validate(
            {k: f"{v} deg" if k == "angle_step" else v for k, v in method.items()}
        ),
    )


def plain(found):
    return [(s.from_deg, s.to_deg, s.percent, s.basis) for s in found]


def percent_at(found, angle_deg):
    return next(s.percent for s in found if s.from_deg <= angle_deg < s.to_deg)


@st.composite
def rows_of_holds(draw):
    """Holds outward along a side, with lifts, strips, gaps, overlaps and slivers."""
    here = draw(st.one_of(st.floats(0, 2), st.floats(2.5, 30)))
    told = []
    for _ in range(draw(st.integers(1, 6))):
        width = draw(st.one_of(st.floats(0.5, 60), st.floats(0.01, 0.29)))
        to = min(here + width, 180.0)
        lifted = draw(st.booleans())
        overshoot = draw(st.floats(0, 5)) if lifted else 0.0
        told.append(Told(here, to, draw(st.floats(0.05, 1.2)), lifted, overshoot))
        here = to + overshoot + draw(st.sampled_from([0.0, 0.0, 0.2, 4.0, -1.0]))
        here = max(here, 0.0)
        if here >= 179.5:
            break
    return tuple(told)


def proved_shares(told):
    """The greatest share of M_q hung with every wheel down, for each 0.01° of a side; 0 for none.

    The slow way: each hold in turn over every angle, the strip after a lift added by its rule.
    """
    first = next((i for i, h in enumerate(told) if h.lifted), None)
    first_low = 180.0 if first is None else max(0.0, told[first].to_deg - 0.2)
    best = np.zeros(ANGLES_DEG.size)
    for index, hold in enumerate(told):
        low = hold.from_deg
        high = min(hold.to_deg, *lifted_with_no_more(told, hold))
        if first is None or index <= first:
            low, high = (0.0 if low <= 2 else low), min(high, first_low)
        else:
            begins = max(strip_begins(told[:index], low), first_low)
            low = max(low, first_low)
            if begins < low:
                strip = (begins <= ANGLES_DEG) & (min(low, high) > ANGLES_DEG)
                dip = 1.5 * math.radians((hold.from_deg - begins) / 2) ** 2
                best[strip] = np.maximum(best[strip], hold.share * (1 - dip))
        here = (low <= ANGLES_DEG) & (high > ANGLES_DEG)
        best[here] = np.maximum(best[here], hold.share)
    return best


def lifted_with_no_more(told, hold):
    """Where a hold ends since a wheel lifted with no more: there, or at once beyond the same."""
    ends = [180.0]
    for other in (h for h in told if h.lifted and h.share <= hold.share):
        low = max(0.0, other.to_deg - 0.2)
        if hold.from_deg <= low:
            ends.append(low)
        elif other.share == hold.share:
            ends.append(hold.from_deg)
    return ends


def strip_begins(earlier, from_deg):
    lifted = [h for h in earlier if h.lifted]
    last = lifted[-1]
    if from_deg < max(0.0, last.to_deg - 0.2):
        return from_deg
    stop = last.to_deg + last.overshoot_deg
    one_stop = [h for h in lifted if abs(h.to_deg + h.overshoot_deg - stop) <= JOIN_DEG]
    low = min(max(0.0, h.to_deg - 0.2) for h in one_stop)
    return low if from_deg <= stop + 1.0 and from_deg - low <= 6.0 else from_deg


def widest_lie_deg(told, found):
    """The widest run of angles inside sectors where less was proved than they say."""
    says = np.concatenate(
        [
            np.full(((s.from_deg <= ANGLES_DEG) & (s.to_deg > ANGLES_DEG)).sum(), s.percent)
            for s in found
        ]
    )
    lies = np.flatnonzero(says > 100 * proved_shares(told) + 1e-6)
    runs = np.split(lies, np.flatnonzero(np.diff(lies) > 1) + 1)
    return max(len(run) for run in runs) * GRID_DEG


RIGHT_TWO_STEPS = (
    Told(0.0, 80.3, 1.01, lifted=True, overshoot_deg=0.8),
    Told(81.1, 120.4, 0.905, lifted=True, overshoot_deg=0.6),
    Told(121.0, 171.6, 0.805, lifted=False, overshoot_deg=0.0),
)

SLIVER_AND_GAP = (
    Told(3.0, 3.25, 0.5, lifted=False, overshoot_deg=0.0),
    Told(3.45, 4.45, 1.0, lifted=False, overshoot_deg=0.0),
)


@pytest.mark.parametrize("side", list(Side))
def test_each_hold_beyond_the_first_lift_is_a_sector_of_its_own(side):
    """Two reductions give two steps, each bound at the low angle of its lift rounded down."""
    assert plain(sectors(RIGHT_TWO_STEPS, side)) == [
        (0, 80, 100, "proved"),
        (80, 120, 90, "reduced"),
        (120, 171, 80, "reduced"),
        (171, 180, 0, "untested"),
    ]
    assert plain(sectors(RIGHT_TWO_STEPS, side, sectors="single")) == [
        (0, 80, 100, "proved"),
        (80, 171, 80, "reduced"),
        (171, 180, 0, "untested"),
    ]


def test_a_later_step_that_is_better_begins_at_the_next_degree():
    """The load goes out again at 120.4°: 90 % begins at 121°, never at 120°."""
    told = (
        Told(0.0, 80.3, 1.01, lifted=True, overshoot_deg=0.8),
        Told(81.1, 120.4, 0.705, lifted=False, overshoot_deg=0.0),
        Told(120.4, 171.6, 0.905, lifted=False, overshoot_deg=0.0),
    )

    assert plain(sectors(told)) == [
        (0, 80, 100, "proved"),
        (80, 121, 70, "reduced"),
        (121, 171, 90, "reduced"),
        (171, 180, 0, "untested"),
    ]


def test_steps_of_the_same_percentage_are_one():
    """Two holds of 90.2 and 90.9 % are one sector of 90 %."""
    told = (
        Told(0.0, 80.3, 1.01, lifted=True, overshoot_deg=0.8),
        Told(81.1, 120.4, 0.909, lifted=False, overshoot_deg=0.0),
        Told(120.4, 171.6, 0.902, lifted=False, overshoot_deg=0.0),
    )

    assert plain(sectors(told))[1] == (80, 171, 90, "reduced")


def test_the_first_lift_is_a_bound_of_its_own_with_a_single_sector_only():
    """90 % before and beyond it: two sectors of 90 % as before, in steps one."""
    told = (
        Told(0.0, 80.3, 0.902, lifted=True, overshoot_deg=0.8),
        Told(81.1, 171.6, 0.907, lifted=False, overshoot_deg=0.0),
    )

    assert plain(sectors(told))[0] == (0, 171, 90, "reduced")
    assert plain(sectors(told, sectors="single"))[:2] == [
        (0, 80, 90, "reduced"),
        (80, 171, 90, "reduced"),
    ]


def test_before_the_first_lift_one_percentage_stays():
    """Two holds before the lift, of 97 and 101 %, give 97 % for both, in steps as well."""
    told = (
        Told(0.0, 40.5, 0.97, lifted=False, overshoot_deg=0.0),
        Told(40.5, 80.3, 1.01, lifted=True, overshoot_deg=0.8),
        Told(81.1, 171.6, 0.905, lifted=False, overshoot_deg=0.0),
    )

    assert plain(sectors(told))[:2] == [(0, 80, 97, "reduced"), (80, 171, 90, "reduced")]


@pytest.mark.parametrize("mode", ["single", "steps"])
def test_a_better_sector_beyond_the_lift_shrinks_too(mode):
    """60 % before a lift at 80.3° and 90 % beyond it: the bound goes up to 81°."""
    told = (
        Told(0.0, 80.3, 0.6, lifted=True, overshoot_deg=0.8),
        Told(81.1, 171.6, 0.905, lifted=False, overshoot_deg=0.0),
    )

    assert plain(sectors(told, sectors=mode))[:2] == [
        (0, 81, 60, "reduced"),
        (81, 171, 90, "reduced"),
    ]


def test_the_strip_after_a_lift_gets_what_capacity_may_dip_in_it():
    """4° between lift and stop: 90.05 % at the stop prove 1.5 · (2° in radians)² less, 89 %.

    The dip is that of r/(s·cos ψ) − B/s about its least (statics of a rigid frame, derived).
    """
    told = (
        Told(0.0, 80.3, 1.01, lifted=True, overshoot_deg=3.9),
        Told(84.1, 171.6, 0.9005, lifted=False, overshoot_deg=0.0),
    )

    assert plain(sectors(told))[:3] == [
        (0, 80, 100, "proved"),
        (80, 85, 89, "reduced"),
        (85, 171, 90, "reduced"),
    ]
    assert plain(sectors(told, sectors="single"))[1] == (80, 171, 89, "reduced")


def test_a_first_lift_over_the_rear_leaves_no_full_sector():
    """A lift at 0.1°: reduced from over the rear on, nothing proved."""
    told = (
        Told(0.0, 0.1, 1.01, lifted=True, overshoot_deg=0.5),
        Told(0.6, 90.3, 0.805, lifted=False, overshoot_deg=0.0),
    )

    assert plain(sectors(told)) == [(0, 90, 80, "reduced"), (90, 180, 0, "untested")]


@pytest.mark.parametrize(
    ("angle_step", "percent_step", "expected"),
    [
        (7, 2.5, [(0, 77, 100), (77, 119, 90), (119, 168, 80), (168, 180, 0)]),
        (0.1, 7, [(0, 80.1, 100), (80.1, 120.2, 84), (120.2, 171.6, 77), (171.6, 180, 0)]),
        (45, 50, [(0, 45, 100), (45, 135, 50), (135, 180, 0)]),
    ],
)
def test_odd_steps_round_to_the_safe_side(angle_step, percent_step, expected):
    """7°, 0.1°, 45°; 2.5 %, 7 %, 50 %: down for angles and percentages, 100 % stays 100 %."""
    found = sectors(RIGHT_TWO_STEPS, angle_step=angle_step, percent_step=percent_step)

    assert [(s.from_deg, s.to_deg, s.percent) for s in found] == expected


def test_a_last_step_that_the_cab_cuts_off_is_untested():
    """Swept as far as 180° with steps of 7°: full to 175°, a multiple, and no farther."""
    told = (Told(0.0, 180.0, 1.01, lifted=False, overshoot_deg=0.0),)

    assert plain(sectors(told, angle_step=7)) == [
        (0, 175, 100, "proved"),
        (175, 180, 0, "untested"),
    ]
    assert plain(sectors(told)) == [(0, 180, 100, "proved")]


@settings(max_examples=40, deadline=None)
@given(
    told=rows_of_holds(),
    mode=st.sampled_from(["single", "steps"]),
    angle_step=st.sampled_from([0.1, 1, 2.5, 7]),
    side=st.sampled_from(list(Side)),
)
@example(told=RIGHT_TWO_STEPS, mode="steps", angle_step=1, side=Side.LEFT)
@example(told=SLIVER_AND_GAP, mode="single", angle_step=0.1, side=Side.RIGHT)
def test_no_angle_of_a_sector_has_more_than_was_proved_there(told, mode, angle_step, side):
    """Every hundredth of a degree: covered, and at least the percentage; 0.3° can't be told."""
    found = sectors(told, side, sectors=mode, angle_step=angle_step, percent_step=0.5)

    assert widest_lie_deg(told, found) < JOIN_DEG + 2 * GRID_DEG


@settings(max_examples=60, deadline=None)
@given(
    told=rows_of_holds(),
    angle_step=st.sampled_from([0.1, 1, 7, 45]),
    percent_step=st.sampled_from([0.5, 1, 2.5, 7, 50]),
    mode=st.sampled_from(["single", "steps"]),
)
def test_a_side_is_always_cut_up_whole(told, angle_step, percent_step, mode):
    """From 0° to 180° without gap or overlap, bounds and percentages at their steps."""
    found = sectors(told, sectors=mode, angle_step=angle_step, percent_step=percent_step)

    assert (found[0].from_deg, found[-1].to_deg) == (0, 180)
    assert all(a.to_deg == b.from_deg for a, b in pairwise(found))
    assert all(s.from_deg < s.to_deg for s in found)
    for bound in (s.from_deg for s in found):
        assert math.isclose(bound / angle_step, round(bound / angle_step), abs_tol=1e-6)
    for s in found:
        on_step = math.isclose(s.percent / percent_step, round(s.percent / percent_step))
        assert on_step or s.percent == 100
        assert (s.percent == 0) == (s.basis == "untested")
        assert s.basis != "proved" or s.percent == 100


@settings(max_examples=60, deadline=None)
@given(told=rows_of_holds(), angle_step=st.sampled_from([0.1, 1, 7]))
def test_steps_never_allow_less_than_the_single_sector(told, angle_step):
    """At every angle the step has at least the single sector's percentage."""
    steps, single = (
        sectors(told, sectors=mode, angle_step=angle_step) for mode in ("steps", "single")
    )

    for angle in sorted({s.from_deg for s in (*steps, *single)}):
        assert percent_at(steps, angle) >= percent_at(single, angle)


@settings(max_examples=60, deadline=None)
@given(
    told=rows_of_holds(),
    fine=st.sampled_from([0.1, 0.5, 1]),
    times=st.sampled_from([2, 5, 7]),
    mode=st.sampled_from(["single", "steps"]),
)
def test_coarser_steps_never_allow_more(told, fine, times, mode):
    """Angles and percentages rounded to a multiple of a step never allow more at any angle."""
    exact = sectors(told, sectors=mode, angle_step=fine, percent_step=fine)
    coarse = sectors(
        told, sectors=mode, angle_step=round(fine * times, 9), percent_step=round(fine * times, 9)
    )

    for angle in sorted({s.from_deg for s in (*exact, *coarse)}):
        assert percent_at(coarse, angle) <= percent_at(exact, angle)


@st.composite
def rows_of_levels(draw):
    edges = sorted(draw(st.sets(st.integers(0, 1800), min_size=2, max_size=9)))
    return [
        Level(a / 10, b / 10, draw(st.sampled_from([0.0, 60.0, 80.0, 100.0])))
        for a, b in pairwise(edges)
        if draw(st.booleans())
    ]


@settings(max_examples=60, deadline=None)
@given(levels=rows_of_levels(), step=st.sampled_from([0.3, 1.0, 7.0, 45.0]))
def test_a_cell_has_the_least_level_that_any_part_of_it_has(levels, step):
    """Bounds are rounded as a twin does that looks into each cell, tenth by tenth."""
    found = rounded_levels(levels, step_deg=step)
    tenths = [0.0] * 1800
    for level in levels:
        for i in range(round(level.from_deg * 10), round(level.to_deg * 10)):
            tenths[i] = level.percent
    filled = list(tenths)
    for level, following in pairwise(levels):
        # A gap too narrow to be told belongs to the lesser of its neighbours.
        a, b = round(level.to_deg * 10), round(following.from_deg * 10)
        if 0 < following.from_deg - level.to_deg <= JOIN_DEG:
            filled[a:b] = [min(level.percent, following.percent)] * (b - a)
    width = round(step * 10)
    cells = [filled[i : i + width] for i in range(0, 1800, width)]
    expected = [min(c) if len(c) == width else 0.0 for c in cells]

    assert [
        next(x.percent for x in found if x.from_deg <= (i + 0.5) * step < x.to_deg)
        for i in range(len(expected))
        if (i + 0.5) * step < 180
    ] == [e for i, e in enumerate(expected) if (i + 0.5) * step < 180]


@pytest.mark.parametrize(("inner", "outer", "bound"), [(100, 60, 80), (60, 100, 80.2)])
def test_a_gap_too_narrow_to_be_told_belongs_to_the_lesser_sector(inner, outer, bound):
    """0.2° between 100 and 60 %: they are the lesser one's, whichever side that is."""
    levels = (Level(0, 80, inner), Level(80.2, 90, outer))

    assert [x[:3] for x in rounded_levels(levels, step_deg=0.1)] == [
        (0, bound, inner),
        (bound, 90, outer),
        (90, 180, 0),
    ]


@pytest.mark.parametrize(
    ("given", "left"),
    [
        ([(70, 80, 95), (80, 80.2, 50), (80.2, 90, 90)], [(70, 80, 95), (80, 90, 90)]),
        ([(80, 80.2, 50), (80.2, 90, 90)], [(80.2, 90, 90)]),
        ([(80, 80.2, 99), (80.2, 90, 90)], [(80, 80.2, 99), (80.2, 90, 90)]),
        ([(80, 80.2, 50), (85, 90, 90)], [(85, 90, 90)]),
        (
            [(70, 80, 95), (80, 80.2, 50), (80.2, 80.4, 51), (80.4, 90, 90)],
            [(70, 80, 95), (80, 80.4, 51), (80.4, 90, 90)],
        ),
        (
            [(70, 80, 95), (80.1, 80.3, 50), (80.4, 90, 90)],
            [(70, 80, 95), (80.1, 80.3, 50), (80.4, 90, 90)],
        ),
    ],
)
def test_slivers_take_the_lesser_neighbour_or_are_left_out(given, left):
    """Under 0.3° between two neighbours, gaps counted; at an end it goes; a row of them stays."""
    found = without_slivers(Stretch(*s) for s in given)

    assert found == tuple(Stretch(*s) for s in left)


@pytest.mark.parametrize(
    ("share", "step", "percent"),
    [
        (1.0, 1, 100),
        (0.99999, 1, 99),
        (1.07, 7, 100),
        (0.99, 7, 98),
        (0.876, 2.5, 87.5),
        (0.004, 1, 0),
    ],
)
def test_a_percentage_is_rounded_down_and_full_is_full(share, step, percent):
    """Down to the step, but a moment that reaches the required one is 100 % with any step."""
    assert percent_of(share * REQUIRED_NM, required_nm=REQUIRED_NM, step=step) == percent


def test_the_gap_over_the_cab_is_one_across_both_sides():
    """171° to 180° on the right and 167° to 180° on the left are one gap of 22°."""
    right = sectors((Told(0.0, 171.6, 1.01, lifted=False, overshoot_deg=0.0),))
    left = sectors((Told(0.0, 167.4, 1.01, lifted=False, overshoot_deg=0.0),), Side.LEFT)
    whole = sectors((Told(0.0, 180.0, 1.01, lifted=False, overshoot_deg=0.0),))
    never = sectors_of_side(
        Side.LEFT, None, u_end_deg=0.0, required_nm=REQUIRED_NM, method=Method()
    )
    whole_left = sectors((Told(0.0, 180.0, 1.01, lifted=False, overshoot_deg=0.0),), Side.LEFT)
    gap = over_cab_gap((*right, *left))

    assert gap == (171, -167)
    assert gap.width_deg == 22
    assert over_cab_gap((*whole, *left)) == (180, -167)
    assert over_cab_gap((*right, *never)) == (171, 0)
    assert over_cab_gap((*right, *never)).width_deg == 189
    assert over_cab_gap((*whole, *whole_left)) is None


def result_with(*bounds):
    """A result with sectors (side, from, to, percent), as the document has them."""
    basis = {0: "untested", 100: "proved"}
    return {
        "sectors": [
            {"side": w, "from_deg": a, "to_deg": b, "percent": p, "basis": basis.get(p, "reduced")}
            for w, a, b, p in bounds
        ],
        "sweeps": [],
    }


FIVE_A_SIDE = result_with(
    *(("right", a, b, p) for a, b, p in [(0, 74, 100), (74, 78, 90), (78, 82, 85), (82, 86, 80)]),
    *(("right", a, b, p) for a, b, p in [(86, 90, 75), (90, 171, 70), (171, 180, 0)]),
    *(("left", a, b, p) for a, b, p in [(0, 140, 100), (140, 146, 90), (146, 152, 85)]),
    *(("left", a, b, p) for a, b, p in [(152, 158, 80), (158, 164, 75), (164, 169, 70)]),
    ("left", 169, 180, 0),
)


@pytest.mark.parametrize("narrow", [False, True])
def test_words_of_narrow_sectors_stand_apart_in_the_order_of_their_sectors(narrow):
    """Five narrow steps a side: no two words overlap, no two lines to them cross."""
    words = sectors_figure(FIVE_A_SIDE, LIGHT, narrow=narrow).layout.annotations
    for sign in (1, -1):
        beside = [w for w in words if w.showarrow and sign * w.ax > 0]
        places = [w.ay for w in beside]
        height = 0.2 if not narrow else 0.25

        assert len(beside) == (4 if sign > 0 else 5)
        assert all(b - a > height for a, b in pairwise(places))
        assert [w.y for w in beside] == sorted(w.y for w in beside)
        assert {w.ax for w in beside} == {beside[0].ax}


def test_the_gap_over_the_cab_has_its_words_once():
    """Both sides end without lifting: one wedge to the eye, one word over the cab."""
    figure = sectors_figure(FIVE_A_SIDE, LIGHT)
    words = [w.text for w in figure.layout.annotations if "no lifting" in w.text]

    assert len(words) == 1
    assert [t.name for t in figure.data].count("over the cab") == 1


def test_every_bound_is_told_once_at_the_rim_or_beside():
    """Each bound of a narrow sector stands in its words, every other at the rim."""
    words = [w.text for w in sectors_figure(FIVE_A_SIDE, LIGHT).layout.annotations]

    assert {"171°"} == {w for w in words if w.endswith("°") and len(w) <= 4}
    assert any("74° to 78°" in w for w in words)
    assert any("164° to 169°" in w for w in words)


def test_a_lift_on_the_way_back_ends_the_full_sector_where_it_was():
    """Wheels down as far as 80°, the boom goes back, and one lifts at 70°: full to 69° at most."""
    hold = made_hold((0.0, 80.0), share=1.01, start_ns=0, end_ns=900)
    lift = made_lift(69.9, 70.1, t_ns=850, stopped_deg=69.0)
    found = sectors_of_side(
        Side.RIGHT,
        made_sweep([hold], [lift]),
        u_end_deg=0.0,
        required_nm=REQUIRED_NM,
        method=Method(),
    )

    assert plain(found) == [(0, 69, 100, "proved"), (69, 180, 0, "untested")]


def test_what_the_farthest_angle_may_be_overstated_by_is_taken_off():
    """Swept as far as 120.5° ± 3°: full to 117°."""
    found = sectors_of_side(
        Side.RIGHT,
        sweep_of((Told(0.0, 120.5, 1.01, lifted=False, overshoot_deg=0.0),)),
        u_end_deg=3.0,
        required_nm=REQUIRED_NM,
        method=Method(),
    )

    assert plain(found)[0] == (0, 117, 100, "proved")


@pytest.mark.parametrize(("overshoot", "strip"), [(5.0, 83), (7.0, 0), (25.0, 0)])
def test_a_boom_that_ran_on_far_leaves_a_strip_untested(overshoot, strip):
    """Beyond six degrees after a lift nothing says what the truck bears in between."""
    told = (
        Told(0.0, 70.2, 1.01, lifted=True, overshoot_deg=overshoot),
        Told(70.2 + overshoot, 150.4, 0.835, lifted=False, overshoot_deg=0.0),
    )
    found = sectors(told)

    assert percent_at(found, 70.2 + overshoot / 2) == strip
    assert percent_at(found, 120.0) == 83
