"""Quantities as people write them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import scipy.constants
from hypothesis import given
from hypothesis import strategies as st

from dashboard.demo.simulation import simulate
from logger.readings import quantity
from logger.readings.known_units import KNOWN_UNITS
from logger.readings.quantity import STANDARD_GRAVITY_MPS2, Kind, parse_quantity
from logger.readings.rig_file import read_rig
from logger.readings.test_file import read_test

FACTORS = json.loads((Path(__file__).parent / "check_values" / "units.json").read_text())["factors"]


@pytest.mark.parametrize(
    ("text", "kind", "factor"),
    [
        ("1 lb", Kind.MASS, "lb_to_kg"),
        ("1 short ton", Kind.MASS, "short_ton_to_kg"),
        ("1 long ton", Kind.MASS, "long_ton_to_kg"),
        ("1 ft", Kind.LENGTH, "ft_to_m"),
        ("1 in", Kind.LENGTH, "in_to_m"),
        ("1 ft·lbf", Kind.MOMENT, "ft_lbf_to_N_m"),
        ("1 ft-lbf", Kind.MOMENT, "ft_lbf_to_N_m"),
        ("1 ft lbf", Kind.MOMENT, "ft_lbf_to_N_m"),
        ("1 ft·lb", Kind.MOMENT, "ft_lbf_to_N_m"),
        ("1 t·m", Kind.MOMENT, "tonne_metre_force_to_N_m"),
        ("1 ft·short ton", Kind.MOMENT, "ft_short_ton_force_to_N_m"),
        ("1 mph", Kind.SPEED, "mph_to_m_s"),
        ("1 knot", Kind.SPEED, "knot_to_m_s"),
    ],
)
def test_unit_factors_are_the_published_ones(text, kind, factor):
    """Factors of NIST SP 811 (2008), Appendix B (as kept in check_values/units.json)."""
    assert parse_quantity(text, kind) == pytest.approx(float(FACTORS[factor]), rel=1e-12)


def test_gravity_is_the_standard_one():
    """G is that of scipy.constants (CODATA), 9.80665 m/s²."""
    assert scipy.constants.g == STANDARD_GRAVITY_MPS2


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("33 500 ft·lbf", Kind.MOMENT, 33_500 * 1.3558179483314004),
        ("33\u202f500 ft·lbf", Kind.MOMENT, 33_500 * 1.3558179483314004),
        ("45 kN·m", Kind.MOMENT, 45_000),
        ("45 kNm", Kind.MOMENT, 45_000),
        ("100 N·m", Kind.MOMENT, 100),
        ("4600 kg·m", Kind.MOMENT, 4600 * 9.80665),
        ("1450kg", Kind.MASS, 1450),
        ("1.45 t", Kind.MASS, 1450),
        ("9.80665 kN", Kind.MASS, 1000),
        ("-0.75 m", Kind.LENGTH, -0.75),
        ("−750 mm", Kind.LENGTH, -0.75),
        ("1e2 kg", Kind.MASS, 100),
        ("650 N/mm", Kind.STIFFNESS, 650_000),
        ("3.141592653589793 rad", Kind.ANGLE, 180),
        ("172°", Kind.ANGLE, 172),
        ("90 s", Kind.TIME, 90),
        ("2 min", Kind.TIME, 120),
    ],
)
def test_quantities_are_read_as_the_trade_writes_them(text, kind, value):
    """Spaces in thousands, centre dots, minus signs, mass units for moments."""
    assert parse_quantity(text, kind) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "kind", "says"),
    [
        ("1450", Kind.MASS, "no unit"),
        ("kg", Kind.MASS, "no number"),
        ("", Kind.MASS, "no number"),
        ("1,450 kg", Kind.MASS, "thousands"),
        ("3 ton", Kind.MASS, "three meanings"),
        ("3 tons", Kind.MASS, "three meanings"),
        ("3 m", Kind.MASS, "no unit of mass"),
        ("3 bananas", Kind.LENGTH, "no unit of length"),
        ("1e999 kg", Kind.MASS, "too large"),
        ("3 kg; import os", Kind.MASS, "no unit of mass"),
        ("3 __class__", Kind.MASS, "no unit of mass"),
    ],
)
def test_what_is_no_such_quantity_is_refused_in_words(text, kind, says):
    """A wrong unit, a bare ton, a decimal comma: a sentence that says what would do."""
    with pytest.raises(ValueError, match=says):
        parse_quantity(text, kind)


@given(st.text(max_size=60))
def test_any_text_gives_a_number_or_a_sentence(text):
    """Whatever stands there, the reader answers with a number or a ValueError."""
    try:
        value, told = parse_quantity(text, Kind.MASS), "a number"
    except ValueError as exc:
        value, told = 0.0, str(exc)

    assert told
    assert abs(value) < 1e300


def test_usual_units_are_what_the_library_of_units_says():
    """Each size kept by heart is pint's, and measures nothing else for pint either."""
    targets = sorted({t for unit in KNOWN_UNITS.values() for t in unit.targets})
    theirs = {(u, t): quantity._ask_pint(u, t) for u in KNOWN_UNITS for t in targets}
    ours = {
        (name, t): unit.size if t in unit.targets else None
        for name, unit in KNOWN_UNITS.items()
        for t in targets
    }

    assert ours == {
        pair: None if size is None else pytest.approx(size, rel=1e-15)
        for pair, size in theirs.items()
    }


def test_the_demos_files_need_no_library_of_units(monkeypatch):
    """Reading usual files asks pint nothing: that would take longer than the rest of a command."""
    made = simulate("steady")
    quantity._convert.cache_clear()
    monkeypatch.setattr(quantity, "_ask_pint", lambda unit, _: pytest.fail(f"asked for {unit}"))

    assert read_rig(made.rig_toml).wired("load").u_si
    assert read_test(made.test_toml).truck.wheels
