"""Methods: what a test must prove, by factor, by preset, and as a · P + b · F."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.capacity.planning.methods import NO_BASIS, required_moment
from dashboard.capacity.uncertainty.tape_measure import tape_inputs, tape_mpe_m
from logger.errors import FileInvalid
from logger.readings.method_presets import LONG_TON_KG, PRESETS, unit_proof_load_kg
from logger.readings.quantity import STANDARD_GRAVITY_MPS2
from logger.readings.test_file import read_test
from tests.made_run import TEST_TOML

FACTS = json.loads((Path(__file__).parent / "check_values" / "facts.json").read_text())
TIPPING = FACTS["tipping"]
FACTOR, RATING = "moment_factor = 1.18", 'rated_moment = "45 kN·m"'
RATED = 'rated_load = "1140 kg"\nrated_radius = "4 m"'


def read(*, method=FACTOR, crane=RATING, basis='basis = "ours"'):
    """A test file with another method and crane."""
    text = TEST_TOML.replace(FACTOR, method).replace(RATING, crane)
    return read_test(text.replace('basis = "1/0.85, rounded"', basis))


@pytest.mark.parametrize(
    ("preset", "factor"),
    [
        ("85-percent-of-tipping", "one_over_0_85"),
        ("85-percent-of-tipping-rounded", "rounded"),
        ("80-percent-of-tipping", "one_over_0_80"),
        ("75-percent-of-tipping", "one_over_0_75"),
    ],
)
def test_a_percentage_of_tipping_becomes_its_factor(preset, factor):
    """1/0.85, 1.18, 1/0.80 and 1/0.75 of the rated moment (facts.json; arithmetic)."""
    required = required_moment(read(method=f'preset = "{preset}"'))

    assert required.factor == pytest.approx(TIPPING["factors"][factor], rel=1e-15)
    assert required.moment_nm == pytest.approx(45_000 * TIPPING["factors"][factor])


def test_what_was_not_read_says_so_to_its_user():
    """Percentages and a · P + b · F are from memory in facts.json, and each basis says that."""
    for name, preset in PRESETS.items():
        extra = 'boom_tip_mass = "100 kg"'
        basis = read(method=f'preset = "{name}"', crane=f"{RATED}\n{extra}").method.basis

        assert ("from memory, check your edition" in basis) == (name != "unit-proof-load")
        assert basis.startswith("ours; ")
        assert preset.rule in basis

    assert TIPPING["cfr1910_180_c1"]["status"].startswith("percentages: memory")
    assert TIPPING["asme_b30_5_memory"]["status"].startswith("memory")
    assert TIPPING["iso4305_en13000_memory"]["status"] == "memory only"
    assert TIPPING["cfr1919_28_unit_proof_load"]["status"].startswith("read")


def test_the_percentages_are_those_of_the_facts():
    """Trucks and wheels 85 and 75, locomotives on outriggers 80 (facts.json, from memory)."""
    cfr = TIPPING["cfr1910_180_c1"]["values_percent_of_tipping"]
    asme = TIPPING["asme_b30_5_memory"]

    def percent(name):
        return 100 / PRESETS[name].moment_factor

    assert percent("85-percent-of-tipping") == pytest.approx(
        cfr["truck_or_wheel_no_outriggers_or_fully_extended"]
    )
    assert percent("85-percent-of-tipping") == pytest.approx(asme["wheel_mounted_outriggers"])
    assert percent("80-percent-of-tipping") == pytest.approx(
        cfr["locomotive_outriggers_fully_extended"]
    )
    assert percent("75-percent-of-tipping") == pytest.approx(asme["wheel_mounted_no_outriggers"])
    assert percent("85-percent-of-tipping-rounded") == pytest.approx(
        TIPPING["factors"]["percent_of_tipping_if_1_18_used"]
    )


@pytest.mark.parametrize(
    ("preset", "fact"),
    [
        ("five-quarters-load-and-tenth-of-boom", "on_outriggers_crawlers_or_tyres_static"),
        ("four-thirds-load-and-tenth-of-boom", "pick_and_carry"),
    ],
)
def test_load_and_boom_presets_have_the_numbers_of_the_facts(preset, fact):
    """1.25 P + 0.1 F and 1.33 P + 0.1 F (facts.json, from memory)."""
    a, b = map(float, re.findall(r"[\d.]+", TIPPING["iso4305_en13000_memory"][fact]))

    assert (PRESETS[preset].load_factor, PRESETS[preset].boom_share) == (a, b)


def test_load_and_boom_make_the_required_moment():
    """1.25 · 1140 kg + 0.1 · 130 kg = 1438 kg; times g and 4 m that is 56.408 kN·m (by hand)."""
    crane = f'{RATED}\nboom_tip_mass = "130 kg"'
    written = required_moment(read(method="load_factor = 1.25\nboom_share = 0.1", crane=crane))
    named = required_moment(
        read(method='preset = "five-quarters-load-and-tenth-of-boom"', crane=crane)
    )

    assert written.moment_nm == pytest.approx(1438 * 9.80665 * 4)
    assert written.factor == pytest.approx(1438 / 1140)
    assert named.moment_nm == written.moment_nm
    assert written.formula == "(1.25 · 1140 kg + 0.1 · 130 kg) · g · 4.000 m"


@given(st.floats(1, 3), st.floats(0, 1), st.floats(10, 1e5), st.floats(0.5, 60), st.floats(0, 5000))
def test_whichever_way_it_is_stated_factor_times_rated_moment_is_required(a, b, load, radius, tip):
    """Whoever reads moment_factor after reading the file gets M_q / M_r."""
    crane = f'rated_load = "{load!r} kg"\nrated_radius = "{radius!r} m"'
    crane += f'\nboom_tip_mass = "{tip!r} kg"'
    test = read(method=f"load_factor = {a!r}\nboom_share = {b!r}", crane=crane)

    required_nm = (a * load + b * tip) * STANDARD_GRAVITY_MPS2 * radius
    assert test.method.moment_factor * test.crane.rated_moment_nm == pytest.approx(required_nm)


@pytest.mark.parametrize("vector", TIPPING["cfr1919_28_unit_proof_load"]["vectors"])
def test_proof_loads_are_the_published_ones(vector):
    """10, 20, 40 and 100 tons prove 12.5, 25, 45 and 110 (29 CFR 1919.28, read in a copy)."""
    for ton_kg in (907.18474, 1000.0, LONG_TON_KG):
        proof_kg = unit_proof_load_kg(vector["swl_ton"] * ton_kg, ton_kg=ton_kg)

        assert proof_kg / ton_kg == pytest.approx(vector["proof_ton"])


@given(st.floats(1, 1e6))
def test_the_long_ton_asks_for_the_most(load_kg):
    """The rule does not say which ton it means, so the one that never asks for less is taken."""
    for ton_kg in (907.18474, 1000.0):
        assert unit_proof_load_kg(load_kg) >= unit_proof_load_kg(load_kg, ton_kg=ton_kg) - 1e-6


def test_a_proof_load_is_required_at_the_rated_radius():
    """40 long tons rated prove 45, at the radius of the rating."""
    crane = 'rated_load = "40 long ton"\nrated_radius = "5 m"'
    required = required_moment(read(method='preset = "unit-proof-load"', crane=crane))

    assert required.moment_nm == pytest.approx(45 * LONG_TON_KG * STANDARD_GRAVITY_MPS2 * 5)
    assert "not a stability rule" in required.basis


def test_rated_load_and_radius_make_the_rated_moment():
    """3000 lb at 24 in is 72 000 in·lb (29 CFR 1910.178 Appendix A, read in a copy)."""
    statics = json.loads((Path(__file__).parent / "check_values" / "statics.json").read_text())
    case = next(c for c in statics["cases"] if c["id"] == "osha_forklift_moment")
    given_, answer = case["given"], case["answer"]
    load, radius = given_["capacity_lb"], given_["load_center_in"]
    crane = read(crane=f'rated_load = "{load} lb"\nrated_radius = "{radius} in"').crane

    inch_pound_force_nm = 0.0254 * 4.4482216152605
    assert crane.rated_moment_nm / inch_pound_force_nm == pytest.approx(answer["moment_inlb"])


def test_two_ratings_may_differ_by_rounding_only():
    """A rated moment within 0.1 % of load times radius is the same rating, rounded."""
    product_knm = 1140 * 9.80665 * 4 / 1000

    assert read(crane=f'rated_moment = "{product_knm * 1.0009} kN·m"\n{RATED}')
    with pytest.raises(FileInvalid, match=r"rated_load · g · rated_radius is 44\.718 kN·m"):
        read(crane=f'rated_moment = "{product_knm * 1.0011} kN·m"\n{RATED}')


def test_without_a_basis_the_plan_says_that_none_is_stated():
    """A factor on its own proves nothing to an inspector."""
    required = required_moment(read(basis=""))

    assert not required.stated
    assert required.basis == NO_BASIS


MISTAKES = [
    ({"method": f'{FACTOR}\npreset = "85-percent-of-tipping"'}, "moment_factor and preset"),
    ({"method": f"{FACTOR}\nload_factor = 1.25"}, "moment_factor and load_factor"),
    ({"method": 'preset = "75-percent-of-tipping"\nload_factor = 1.25'}, "preset and load_factor"),
    ({"method": 'preset = "85-percent-of-tiping"'}, "did you mean '85-percent-of-tipping'?"),
    ({"method": 'preset = "?"'}, "known: 85-percent-of-tipping, "),
    ({"method": "preset = 3"}, "[method] preset: 3"),
    ({"method": "boom_share = 0.1"}, "goes with load_factor"),
    ({"method": "load_factor = 1.25"}, "[method] load_factor needs 'rated_load'"),
    ({"method": 'preset = "unit-proof-load"'}, "'unit-proof-load' needs 'rated_load'"),
    (
        {"method": "load_factor = 1.25\nboom_share = 0.1", "crane": RATED},
        "needs 'boom_tip_mass' in [crane]",
    ),
    ({"method": "load_factor = 0.9", "crane": RATED}, "load_factor"),
    ({"method": 'tape_class = "IV"'}, "tape_class"),
    ({"crane": 'rated_load = "1140 kg"'}, "[crane] rated_moment: is missing"),
    ({"crane": 'rated_load = "1140"\nrated_radius = "4 m"'}, "rated_load: '1140'"),
    ({"crane": f'{RATING}\nreach = "-3 m"'}, "reach"),
]


@pytest.mark.parametrize(("changes", "says"), MISTAKES)
def test_a_mistake_in_the_method_is_one_line(changes, says):
    """Two ways at once, an unknown preset, a missing rating: one line that says what would do."""
    with pytest.raises(FileInvalid) as caught:
        read(**changes)

    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("vector", FACTS["tape_measure"]["vectors"])
def test_a_tape_is_as_wrong_as_its_class_allows(vector):
    """MPE = a + b·L, L up to a whole metre (read on pages quoting 2004/22/EC MI-008)."""
    mpe_mm = 1000 * tape_mpe_m(vector["cls"], vector["L_m"])

    assert mpe_mm == pytest.approx(vector["mpe_mm"])
    hook_mm = FACTS["tape_measure"]["classes"][vector["cls"]]["c"]
    with_hook_mm = 1000 * tape_mpe_m(vector["cls"], vector["L_m"], hook_end=True)
    assert with_hook_mm == pytest.approx(vector["mpe_mm"] + hook_mm)


def test_a_tapes_uncertainty_is_its_rounding_and_its_class():
    """Step/√12 always, MPE/√3 where the class is stated: 10 mm, class II, 3.9 m, hook end."""
    plain = tape_inputs(read().method, 3.9)
    method = read(method=f'{FACTOR}\ntape_class = "II"\ntape_hook_end = true').method
    rounding, tape = tape_inputs(method, 3.9)

    assert [i.u for i in plain] == pytest.approx([0.010 / 12**0.5])
    assert rounding == plain[0]
    assert tape.u == pytest.approx((0.3 + 0.2 * 4 + 0.2) / 1000 / 3**0.5)
