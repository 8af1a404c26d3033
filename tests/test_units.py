"""The units that people read: factors, sentences, and that nothing is said that is not so."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.figures.units import SI, US, units_of
from dashboard.results import analyse
from logger.readings.quantity import Kind, parse_quantity, unit_factor
from logger.recording.run import open_run
from tests.sample_runs import seal_sample

# NIST SP 811 (2008), appendix B.8, exact or rounded as printed there: pound 4.535 924 E-01 kg,
# foot 3.048 E-01 m, foot pound-force 1.355 818 E+00 N·m, pound-force 4.448 222 E+00 N, mile per
# hour 4.4704 E-01 m/s (from memory).
PRINTED = {
    "mass": 0.4535924,
    "length": 0.3048,
    "moment": 1.355818,
    "force": 4.448222,
    "speed": 0.44704,
}


@pytest.mark.parametrize(("measure", "size"), PRINTED.items())
def test_factors_are_those_of_the_handbook(measure, size):
    """Each US unit has the size that NIST SP 811 prints."""
    assert getattr(US, measure).si_in_one == pytest.approx(size, rel=3e-7)


@pytest.mark.parametrize("units", [SI, US])
def test_what_is_shown_and_what_is_read_agree(units):
    """A page's units and a file's units come from two places and have one size."""
    for measure, kind in (
        (units.mass, Kind.MASS),
        (units.length, Kind.LENGTH),
        (units.moment, Kind.MOMENT),
        (units.speed, Kind.SPEED),
    ):
        assert measure.si_in_one == pytest.approx(unit_factor(measure.unit, kind), rel=1e-12)


@given(st.floats(0.01, 1e6))
def test_a_written_mass_is_read_back_to_its_last_digit(kg):
    """What a page writes, a file takes: the same load within half of the last digit."""
    words = US.mass.words(kg, digits=1).replace("\u202f", " ")

    assert parse_quantity(words, Kind.MASS) == pytest.approx(kg, abs=0.05 * 0.4536 + 1e-9)


@pytest.mark.parametrize(
    ("si", "us"),
    [
        ("with 1400 kg at 3.92 m, so", "with 3 086 lb at 12.86 ft, so"),
        ("from 3.87 m to 3.49 m", "from 12.70 ft to 11.45 ft"),
        ("3.87 to 3.49 m", "12.70 to 11.45 ft"),
        ("−3.5 kN ± 0.2 kN", "−787 lbf ± 45 lbf"),
        ("1.18 × rated moment 45.00 kN·m", "1.18 × rated moment 33 190 ft·lbf"),
        ("the limit is 9 m/s", "the limit is 20 mph"),
        ("12 mm apart", "0.039 ft apart"),
        ("1\u202f400 kg", "3 086 lb"),
        # Left alone: what has no unit of ours, or may belong to a number without its unit.
        ("101.4 % ± 0.2 % (k = 2.00)", "101.4 % ± 0.2 % (k = 2.00)"),
        ("1, 2 or 3 kg", "1, 2 or 3 kg"),
        ("84.6° right, 2.5 s, 0.3 m², x1400 kg", "84.6° right, 2.5 s, 0.3 m², x1400 kg"),
        ("3 min, 2 mbar, 5 kgf", "3 min, 2 mbar, 5 kgf"),
    ],
)
def test_a_sentence_is_written_in_the_units_of_its_reader(si, us):
    """Quantities change, the rest stays; in SI nothing does."""
    assert US.sentence(si).replace("\u202f", " ") == us.replace("\u202f", " ")
    assert SI.sentence(si) == si


def test_every_sentence_of_a_result_keeps_its_quantities(tmp_path):
    """In a whole result no mass, length or moment is left in SI, and each is the same."""
    result = analyse(open_run(seal_sample(tmp_path).path))
    sentences = [w["text"] for w in result["why"]] + [
        f[part] for f in result["findings"] for part in ("text", "effect", "what_to_do")
    ]
    written = [US.sentence(s or "") for s in sentences]
    number = r"([\d\u202f]+(?:\.\d+)?)"
    masses = [
        (float(a), float(b.replace("\u202f", "")))
        for si, us in zip(sentences, written, strict=True)
        for a, b in zip(
            re.findall(rf"{number} kg", si or ""), re.findall(rf"{number}\u202flb", us), strict=True
        )
    ]

    assert masses
    assert all(lb * 0.45359237 == pytest.approx(kg, abs=0.8) for kg, lb in masses)
    assert not re.search(r"\d (kg|kN·m|m)\b", " ".join(written))


def test_an_unknown_system_is_si():
    """A page whose units were never chosen is read in SI."""
    assert units_of(None) is SI
    assert units_of("us") is US
    assert US.mass.words(None) == "—"
