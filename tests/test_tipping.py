"""Rigid tipping over the edges of the polygon of supports."""

import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog
from scipy.spatial import ConvexHull

from dashboard.capacity.truck.support_polygon import corners as polygon_corners
from dashboard.capacity.truck.support_polygon import edges, margin_m
from dashboard.capacity.truck.truck_model import reactions_n, tipping_load_kg, tipping_loads
from tests.made_trucks import bodies, corners, places, radii, slews, truck, trucks

# statics.json names its sources; each test says which of them it uses.
STATICS = json.loads(
    (Path(__file__).parent / "check_values" / "statics.json").read_text(encoding="utf-8")
)
CASES = {case["id"]: case for case in STATICS["cases"]}
LB_KG = 0.45359237  # exact (NIST SP 811)
INCH_M = 0.0254  # exact (NIST SP 811)


def test_tipping_load_falls_with_the_lever():
    """What tips at 3,000 lb and 24 in tips at 2,400 lb and 30 in.

    Source: 29 CFR 1910.178 appendix A, in a copy of the page (statics.json).
    """
    case = CASES["osha_forklift_moment"]
    given, answer = case["given"], case["answer"]
    lever = given["load_center_in"] * INCH_M
    # The slew axis stands on the edge, so the radius is the lever over it.
    holding_kgm = given["capacity_lb"] * LB_KG * lever
    model = truck(
        supports=[(x, y, 2e5, 0.0, "wheel") for x in (0.0, 2.0) for y in (0.6, -0.6)],
        masses=[(holding_kgm / 1.1, 1.1, 0.0)],
    )

    assert tipping_load_kg(model, 0.0, lever) / LB_KG == pytest.approx(given["capacity_lb"])
    assert tipping_load_kg(
        model, 0.0, given["new_load_center_in"] * INCH_M
    ) / LB_KG == pytest.approx(answer["load_lb"])


def test_each_edge_has_its_own_tipping_load():
    """Each edge names its two supports and the load that tips the truck over it.

    By hand: 1,000 kg in the middle of 4 m × 2 m, load at 3 m. Over the rear the rear edge has
    a lever of 1 m and is held by 2 m: 2,000 kg. Over the right, 2 m held by 1 m: 500 kg. At
    acos(0.8) both: 2,000 / (2.4 − 2) and 1,000 / (1.8 − 1).
    """
    model = truck(supports=corners(4, 2), masses=[(1000.0, 0.0, 0.0)])
    angle = math.degrees(math.acos(0.8))
    found = tipping_loads(model, [0.0, 90.0, angle], 3.0)
    edge = {
        frozenset(pair): load for pair, load in zip(found.supports, found.load_kg.T, strict=True)
    }
    rear, right = edge[frozenset(("s2", "s3"))], edge[frozenset(("s1", "s3"))]

    assert rear == pytest.approx([2000.0, math.inf, 5000.0])
    assert right == pytest.approx([math.inf, 500.0, 1250.0])
    assert np.isinf(edge[frozenset(("s0", "s1"))]).all()
    assert found.least_kg == pytest.approx([2000.0, 500.0, 1250.0])


def test_a_truck_that_tips_by_itself():
    """Where the masses alone tip the truck over an edge, its tipping load is zero."""
    model = truck(supports=corners(4, 2), masses=[(1000.0, -2.5, 0.0)])

    assert tipping_load_kg(model, 0.0, 3.0) == 0.0
    # Also where the load would hang on the other side and hold it.
    assert tipping_load_kg(model, 180.0, 3.0) == 0.0


def test_unsprung_weight_holds_the_truck_down():
    """Wheels weigh on the polygon as any other mass does."""
    light = truck(supports=corners(4, 2), masses=[(1000.0, 0.0, 0.0)])
    heavy = truck(supports=corners(4, 2, unsprung=50.0), masses=[(1000.0, 0.0, 0.0)])

    assert tipping_load_kg(heavy, 90.0, 3.0) == pytest.approx(
        1.2 * tipping_load_kg(light, 90.0, 3.0)
    )


@settings(max_examples=60, deadline=None)
@given(model=trucks(whole=True), slew=slews, radius=radii)
def test_tipping_load_is_where_balance_ends(model, slew, radius):
    """Just under the tipping load the truck stands, just over it nothing balances."""
    tipping = tipping_load_kg(model, slew, radius)
    if tipping is None:
        assert not np.isnan(reactions_n(model, [slew], 1e6, radius)).any()
    elif tipping == 0:
        assert np.isnan(reactions_n(model, [slew], 0.0, radius)).all()
    elif 1 < tipping < 1e6:
        assert not np.isnan(reactions_n(model, [slew], tipping * 0.9999, radius)).any()
        assert np.isnan(reactions_n(model, [slew], tipping * 1.0001, radius)).all()


@settings(max_examples=60, deadline=None)
@given(model=trucks(), slew=slews, radius=radii)
def test_tipping_load_by_a_linear_programme(model, slew, radius):
    """The least tipping load is the most that reactions which only push can carry.

    Second opinion: scipy's linprog over reactions and load, without any polygon.
    """
    tipping = tipping_load_kg(model, slew, radius)
    assume(tipping != 0)
    place = np.array([s.at_m for s in model.supports])
    carried = np.array(bodies(model, slew, 1.0, radius))
    *truck_rows, load_row = carried
    weight = np.array([[kg, kg * x, kg * y] for kg, x, y, _ in truck_rows]).sum(axis=0)
    lever = np.vstack([np.ones(len(place)), place.T])
    load = np.array([1.0, load_row[1], load_row[2]])
    most = 1e5
    found = linprog(
        [*np.zeros(len(place)), -1.0],
        A_eq=np.column_stack([lever, -load]),
        b_eq=weight,
        bounds=[(0, None)] * len(place) + [(0, most)],
    )
    assume(found.status == 0)

    assert min(tipping or most, most) == pytest.approx(found.x[-1], rel=1e-6, abs=1e-3)


@settings(max_examples=100, deadline=None)
@given(points=st.lists(places, min_size=3, max_size=12), centre=places)
def test_the_polygon_agrees_with_qhull(points, centre):
    """Corners and margins are those of scipy's convex hull, with points twice or on an edge."""
    at = np.array(points)
    assume(np.linalg.matrix_rank(at - at.mean(axis=0), tol=0.05) == 2)
    hull = ConvexHull(at)
    start, normal = edges(points)
    theirs = (-(hull.equations[:, :2] @ np.array(centre) + hull.equations[:, 2])).min()

    assert {points[i] for i in polygon_corners(points)} == {points[i] for i in hull.vertices}
    assert margin_m(points, np.array([centre]))[0] == pytest.approx(theirs, abs=1e-9)
    assert np.linalg.norm(normal, axis=1) == pytest.approx(1.0)
    assert len(start) == len(polygon_corners(points))


def test_a_support_on_an_edge_is_no_corner():
    """Of a middle axle and of two supports at one place the polygon takes what it needs."""
    points = [(0.0, 1.0), (0.0, -1.0), (1.5, 1.0), (1.5, -1.0), (3.0, 1.0), (3.0, -1.0), (0.0, 1.0)]

    assert sorted(polygon_corners(points)) == [0, 1, 4, 5]
