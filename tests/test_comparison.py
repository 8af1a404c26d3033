"""Runs put side by side: what is told, what cancels, what is refused, what is kept beside a run."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from dashboard.comparing import compare, compared_run
from dashboard.exclusions import decide, exclusions_path, read_exclusions, standing_exclusion
from dashboard.figures.comparison_words import difference_words, value_words
from dashboard.figures.units import SI, US
from dashboard.repeats.run_comparison import Asked, compare_runs
from dashboard.repeats.run_comparison_difference import coverage_factor, difference
from dashboard.repeats.run_comparison_return import Closing, closing_document
from dashboard.repeats.run_comparison_sameness import SetAside, departures, in_common
from dashboard.repeats.run_comparison_values import SHARED_BY, Part, Value, values_of
from dashboard.results import analyse
from dashboard.run_readings import read_readings
from logger.errors import BadInput
from logger.recording.run import open_run
from tests.made_run import RIG_TOML, MadeRun, full_sweep, reduced_sweep
from tests.made_sheets import sealed
from tests.test_cli import slewtrace


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Where the runs of these tests lie."""
    return tmp_path_factory.mktemp("runs")


RIG = RIG_TOML.replace("wraps_at = 4096\n", 'wraps_at = 4096\nu = "0.1 deg"\n')


@pytest.fixture(scope="module")
def runs(folder):
    """Two repeats of a test, as they are compared."""
    found = []
    for seed, name, lift_deg in ((1, "first", 84.6), (2, "second", 84.5)):
        made = MadeRun(seed=seed)
        reduced_sweep(made, 1, lift_at=lift_deg, wheel="rear_left", radius_m=3.4, limit=120)
        reduced_sweep(made, -1, lift_at=96.2, wheel="rear_right", radius_m=3.6, limit=120)
        run = open_run(sealed(folder, name, made, rig=RIG))
        found.append(compared_run(run, analyse(run), read_readings(run)))
    return found


def quantity(document, side, key):
    """One quantity of a comparison."""
    return next(q for q in document["quantities"] if q["side"] == side and q["key"] == key)


def test_repeats_stand_side_by_side_and_lead_to_run_and_second(runs):
    """Each number is its result's, with its uncertainty, interval and second; JSON holds it all."""
    document = compare_runs(runs, Asked())
    lift = runs[1].result["sweeps"][0]["first_lift"]
    told = quantity(document, "right", "lift_deg")["values"][1]

    assert json.loads(json.dumps(document, allow_nan=False)) == document
    assert document["format"] == "slewtrace.compare/1"
    assert (document["against"], document["n"]) == ("first", 2)
    assert told["value"] == lift["estimate_deg"]
    assert told["t_s"] == lift["t_s"]
    assert told["interval"] == lift["interval_deg"]
    assert told["expanded"] == pytest.approx(lift["budget"]["expanded"], abs=5e-4)
    assert quantity(document, "right", "lift_wheel")["values"][0]["value"] == "rear_left"
    statistics = quantity(document, "left", "lift_deg")["statistics"]
    assert (statistics["n"], statistics["provisional"]) == (2, True)
    assert statistics["repeatability"]["s_r"] >= 0
    assert statistics["agreement"]["why_not"]
    assert document["findings"] == []
    found = quantity(document, "right", "lift_deg")["differences"][0]
    low, high = found["interval"]
    assert (low + high) / 2 == pytest.approx(found["difference"], abs=1e-3)
    assert high - low == pytest.approx(2 * found["expanded"], abs=2e-3)


def test_left_angles_are_sizes(runs):
    """A lift on the left is compared by its size, its interval from the lesser end on."""
    told = values_of(runs[0].result, "left")["lift_deg"]

    assert told.value > 0
    assert told.interval[0] < told.value < told.interval[1]


def test_what_one_kit_errs_by_cancels_and_what_two_kits_err_by_does_not(runs):
    """Zero and calibration are common to runs of one kit; another one has its own."""
    first, second = runs
    other_kit = replace(second, kit="another")
    readings = [
        r | {"equation": "anew"} if r["channel"] == "slew" else r for r in second.result["readings"]
    ]
    recalibrated = replace(second, result=second.result | {"readings": readings})
    own, other = (values_of(r.result, "right")["lift_deg"] for r in (second, first))
    same = difference(own, other, in_common(second, first))
    apart = difference(own, other, in_common(other_kit, first))

    assert {"slew", "load", "radius", "rigging"} <= in_common(first, second)
    assert in_common(first, other_kit) == frozenset()
    assert "slew" not in in_common(first, recalibrated)
    assert set(same.cancelled) == {"slew zero and scale", "encoder rounds or cuts off"}
    assert same.expanded < 0.6 * same.expanded_apart
    assert apart.expanded == apart.expanded_apart == same.expanded_apart
    assert same.expanded_apart == pytest.approx(math.hypot(own.expanded, other.expanded), rel=1e-3)


def test_a_difference_has_the_spread_that_a_simulation_finds():
    """Of 100,000 pairs drawn with a common error, 95 % differ by less than the stated amount."""
    rng = np.random.default_rng(4)
    zero, noise = 0.1, (0.03, 0.05)
    parts = [(Part(name="slew zero and scale", u=zero), Part(name="noise", u=u)) for u in noise]
    of, ref = (Value(value=80.0, expanded=1.0, parts=p) for p in parts)
    shared = rng.normal(0, zero, 100_000)
    drawn = [shared + rng.normal(0, u, 100_000) for u in noise]
    found = difference(of, ref, frozenset({"slew"}))
    alone = difference(of, ref, frozenset())

    assert found.expanded == pytest.approx(2 * np.std(drawn[0] - drawn[1]), rel=0.02)
    assert np.mean(np.abs(drawn[0] - drawn[1]) < found.expanded) == pytest.approx(0.9545, abs=3e-3)
    assert alone.expanded == pytest.approx(2 * math.hypot(zero, zero, *noise))
    # JCGM 100:2008, table G.2, 95.45 %: 13.97 for 1, 2.28 for 10 degrees of freedom (from memory).
    assert coverage_factor(1) == pytest.approx(13.97, abs=0.005)
    assert coverage_factor(10) == pytest.approx(2.28, abs=0.005)


def test_the_parts_that_are_shared_are_those_of_real_budgets(runs):
    """Every name that is told as shared stands in a real budget, so that none is renamed unseen."""
    budgets = [
        b
        for run in runs
        for sweep in run.result["sweeps"]
        for b in (sweep["first_lift"]["budget"], *(h["moment_budget"] for h in sweep["holds"]))
    ]
    names = {c["name"] for b in budgets for c in b["contributions"]}
    wanted = {n for n, by in SHARED_BY.items() if by in ("slew", "load", "radius", "rigging")}

    assert wanted <= names


def test_runs_that_are_no_repeats_are_refused_unless_asked_for(runs):
    """Another truck, crane, required moment or test load: one line; with anyway, a finding."""
    first, second = runs
    for change, code in (
        ({"truck": "Other"}, "truck"),
        ({"crane": "Other"}, "crane"),
        ({"plan": second.result["plan"] | {"required_moment_nm": 50_000.0}}, "required_moment"),
        ({"plan": second.result["plan"] | {"test_load_kg": 1500.0}}, "test_load"),
    ):
        other = replace(second, result=second.result | change)
        with pytest.raises(BadInput, match="--anyway") as refusal:
            compare([first, other], Asked())
        document = compare([first, other], Asked(anyway=True))

        assert "\n" not in str(refusal.value)
        assert (code, True) in [(f["code"], f["other_test"]) for f in document["findings"]]


def test_lesser_differences_are_findings(runs):
    """Kit, build, rule, rounding, calibration and a model that changed without a new build."""
    first, second = runs
    rounding = second.result["rounding"] | {"angle_step_deg": 5}
    plan = second.result["plan"] | {"test_load_kg": second.result["plan"]["test_load_kg"] + 0.5}
    other = replace(
        second,
        truck_model="another",
        result=second.result | {"rule": "simple", "rounding": rounding, "plan": plan},
    )
    codes = {d.code for d in departures([first, other])}
    kits = {d.code for d in departures([first, replace(second, kit="k2", build="B")])}

    assert {"rule", "rounding", "model", "test_load"} <= codes
    assert not any(d.other_test for d in departures([first, other]))
    assert {"kit", "build"} <= kits
    assert departures([first, second]) == ()


def test_only_kits_that_are_independent_have_an_e_n(runs):
    """One kit shares its error, so E_n is refused; between two kits it is d over the root of U²."""
    first, second = runs
    same = quantity(compare_runs(runs, Asked()), "right", "lift_deg")["differences"][0]
    document = compare_runs([first, replace(second, kit="k2")], Asked())
    other = quantity(document, "right", "lift_deg")
    own, ref = other["values"][1], other["values"][0]
    expected = (own["value"] - ref["value"]) / math.hypot(own["expanded"], ref["expanded"])

    assert "share" in same["e_n"]["why_not"]
    assert other["differences"][0]["e_n"]["e_n"] == pytest.approx(expected, abs=0.01)


def test_a_practical_limit_is_shown_or_not(runs):
    """Repeats are within 2°; within a hundredth of one nothing can be shown, and that is said."""
    wide, tight = (compare_runs(runs, Asked(limit_deg=limit)) for limit in (2.0, 0.01))
    answers = [
        quantity(d, "right", "lift_deg")["differences"][0]["within_limit"]["answer"]
        for d in (wide, tight)
    ]
    second = runs[1].result
    sweeps = [s | {"first_lift": None} for s in second["sweeps"]]
    without = replace(runs[1], result=second | {"sweeps": sweeps})

    assert (wide["within_limit"], tight["within_limit"]) == (True, False)
    assert answers == ["within", "open"]
    assert compare_runs([runs[0], without], Asked(limit_deg=2.0))["within_limit"] is False
    assert compare_runs(runs, Asked())["within_limit"] is None


def test_a_run_that_is_set_aside_stays_in_sight_and_out_of_the_statistics(runs):
    """Its numbers stand, marked; it is neither counted nor the reference."""
    aside = SetAside(reason="the ground was soft", by="A. B.", written_utc="2026-05-06T08:00:00Z")
    document = compare_runs([replace(runs[0], set_aside=aside), runs[1]], Asked())
    lift = quantity(document, "right", "lift_deg")

    assert document["runs"][0]["set_aside"]["reason"] == "the ground was soft"
    assert (document["against"], document["n"]) == ("second", 1)
    assert [v["set_aside"] for v in lift["values"]] == [True, False]
    assert lift["statistics"]["n"] == 1
    assert {row["n"] for row in document["sectors"]} == {1}


def test_sectors_are_cut_at_every_bound_of_any_run(runs):
    """Each stretch has one percentage a run, and together they cover each side once."""
    document = compare_runs(runs, Asked())
    for side in ("right", "left"):
        rows = [r for r in document["sectors"] if r["side"] == side]
        sectors = [s for s in runs[0].result["sectors"] if s["side"] == side]

        assert [r["to_deg"] for r in rows[:-1]] == [r["from_deg"] for r in rows[1:]]
        assert (rows[0]["from_deg"], rows[-1]["to_deg"]) == (0, 180)
        for row in rows:
            percent = next(
                s["percent"] for s in sectors if s["from_deg"] <= row["from_deg"] < s["to_deg"]
            )
            assert row["percents"][0]["percent"] == percent
            swept = row["percents"][0]["basis"] != "untested"
            assert (row["percents"][0]["t_s"] is not None) == swept


def test_decisions_are_kept_beside_the_run_and_never_in_it(runs, folder):
    """Set aside and taken back, both stay to be read; the sealed file keeps its bytes."""
    path = folder / "second.parquet"
    before = path.read_bytes()
    decide(path, excluded=True, reason="wind\nover the limit", by="A. B.")
    aside = standing_exclusion(path)
    with exclusions_path(path).open("a", encoding="utf-8") as file:
        file.write("no line of ours\n[1]\n")
    decide(path, excluded=False, reason="it was another run")
    kept = read_exclusions(path)

    assert (aside.reason, aside.by) == ("wind over the limit", "A. B.")
    assert [k.excluded for k in kept] == [True, False]
    assert standing_exclusion(path) is None
    assert path.read_bytes() == before
    with pytest.raises(BadInput, match="reason"):
        decide(path, excluded=True, reason="  ")
    exclusions_path(path).unlink()


def test_a_decision_after_a_torn_line_stands(tmp_path):
    """A run that is set aside after a power cut tore the last line does not count again."""
    run = tmp_path / "r.parquet"
    decide(run, excluded=True, reason="wind")
    decide(run, excluded=False, reason="another run")
    path = exclusions_path(run)
    path.write_bytes(path.read_bytes()[:-20])
    torn = standing_exclusion(run)
    decided = decide(run, excluded=True, reason="wind, as was said")

    assert torn.reason == "wind"
    assert standing_exclusion(run) == decided
    assert [d.reason for d in read_exclusions(run)] == ["wind", "wind, as was said"]


def test_words_keep_to_the_units_that_are_read(runs):
    """The same difference in both systems; zero has no sign; a name is the same or another."""
    document = compare_runs(runs, Asked())
    radius = quantity(document, "right", "first_radius_m")
    wheel = quantity(document, "right", "lift_wheel")
    nothing = radius["differences"][0] | {"difference": -1e-5, "expanded": 0.001}

    assert value_words(radius, radius["values"][0], SI).endswith("m")
    assert value_words(radius, radius["values"][0], US).endswith("ft")
    assert difference_words(radius, nothing, SI).startswith("0.000 ±")
    assert value_words(wheel, wheel["values"][0], SI) == "rear left"
    assert difference_words(wheel, wheel["differences"][0], SI) == "same"


def swept_back(folder, name, *, out_deg, back_deg, load_hangs=True):
    """A run whose boom slews back; a wheel that lifted on the way out comes down on it."""
    made = MadeRun(slew_noise_deg=0.01).hoist().slew_to(78.0)
    start_s = made.time_at(out_deg)
    made.go(3)
    if not load_hangs:
        made.set_down()
    made.slew_to(60.0)
    made.open("rear_left", start_s, made.time_at(back_deg)).go(3)
    full_sweep(made.home() if load_hangs else made.slew_to(0.0).go(5), -1, limit=160.0)
    return open_run(sealed(folder, name, made))


def came_down_by_itself(folder):
    """A run whose lifted wheel comes down while the boom stands still under load."""
    made = MadeRun().hoist().slew_to(78.0)
    start_s = made.time_at(74.6)
    made.go(4).open("rear_left", start_s, made.now_s - 1).go(3)
    full_sweep(made.home(), -1, limit=160.0)
    return open_run(sealed(folder, "settled", made))


def test_an_error_of_time_moves_both_ways_apart():
    """The zero cancels; the clocks' error counts with both rates; the rest is read twice."""
    names = {"slew zero and scale": 0.1, "clocks of slew and contact": 0.03, "encoder step": 0.01}
    parts = [{"name": n, "u_y": u, "value": 0.02} for n, u in names.items()]
    parts.append({"name": "between two contact readings", "u_y": 0.002, "value": 0.0})
    lift = {"wheel": "w", "t_s": 1.0, "estimate_deg": -80.0, "budget": {"contributions": parts}}
    closing = Closing(t_s=9.0, slew_deg=-79.5, rate_dps=2.0, gap_s=0.01)
    told = closing_document(lift, "left", closing)
    variance = (0.03 + 2 * 0.02) ** 2 + 2 * 0.01**2 + 0.002**2 + (2 * 0.01) ** 2 / 12

    assert told["difference_deg"] == 0.5
    assert told["expanded"] == pytest.approx(2 * math.sqrt(variance), abs=1e-4)


def test_a_wheel_that_comes_down_under_load_tells_the_hysteresis(tmp_path):
    """The made difference is within the uncertainty; coming down without the load says nothing."""
    runs = [
        swept_back(tmp_path, "back", out_deg=74.6, back_deg=73.9),
        swept_back(tmp_path, "again", out_deg=74.5, back_deg=74.0),
        swept_back(tmp_path, "empty", out_deg=74.6, back_deg=73.9, load_hangs=False),
        came_down_by_itself(tmp_path),
    ]
    compared = [compared_run(run, analyse(run), read_readings(run)) for run in runs]
    document = compare_runs(compared, Asked())
    pairs = document["directions"]["pairs"]
    agreement = document["directions"]["agreement"]

    assert compared[3].result["sweeps"][0]["first_lift"]["wheel"] == "rear_left"
    assert [p["run_id"] for p in pairs] == ["back", "again"]
    for pair, true_deg in zip(pairs, (0.7, 0.5), strict=True):
        assert abs(pair["difference_deg"] - true_deg) <= pair["expanded"] < 0.3
    assert (agreement["n"], agreement["first"]) == (2, "outward")
    assert agreement["bias"] == pytest.approx(0.6, abs=0.1)


def test_the_command_compares_refuses_and_keeps_reasons(folder, runs):
    """JSON or words; reasons that last until a run is taken back; one line for each mistake."""
    first, second = folder / "first.parquet", folder / "second.parquet"
    told = slewtrace(
        "compare", first, second, "--exclude", "first.parquet=wet ground", "--by", "A. B."
    )
    kept = standing_exclusion(first)
    done = slewtrace(
        "compare", first, second, "--json", "--against", "second", "--include", "first"
    )
    tight = slewtrace("compare", first, second, "--limit", "0.01 deg", code=1)
    mistakes = {
        "nothing to compare": ("compare", first),
        "holds run first": ("compare", first, first),
        "none of the runs": ("compare", first, second, "--against", "third"),
        "gives no reason": ("compare", first, second, "--exclude", "first"),
        "--limit": ("compare", first, second, "--limit", "wide"),
        "does not go with": ("compare", first, "--table", "x.csv"),
        "is not there": ("compare", first, folder / "none.parquet"),
    }

    assert json.loads(done.stdout)["against"] == "second"
    assert json.loads(done.stdout)["runs"][0]["set_aside"] is None
    for words in (
        "1 of 2 runs count",
        "wet ground",
        "A. B.",
        "first lift",
        "Sectors",
        "provisional",
    ):
        assert words in told.stdout
    assert kept.reason == "wet ground"
    assert len(read_exclusions(first)) == 2
    assert "not shown within 0.01°" in tight.stdout
    for words, command in mistakes.items():
        refused = slewtrace(*command, code=2)
        assert words in refused.stderr
        assert refused.stderr.count("\n") == 1
    exclusions_path(first).unlink()


def test_a_table_of_numbers_from_anywhere_has_the_same_statistics(tmp_path):
    """Four keys; semicolons and decimal commas as well; each mistake names its line and column."""
    rows = [("a", "x", 1.0), ("a", "x", 1.2), ("a", "y", 1.1), ("b", "x", 2.0), ("b", "y", 2.2)]
    plain, other = tmp_path / "t.csv", tmp_path / "semicolons.csv"
    plain.write_text("item,group,value\n" + "".join(f"{i},{g},{v}\n" for i, g, v in rows))
    lines = [f"{v};{i};{g}".replace(".", ",") for i, g, v in rows]
    other.write_text("\ufeffValue;Item;Group\n\n" + "\n".join(lines))
    document = json.loads(slewtrace("compare", "--table", plain, "--json").stdout)
    same = json.loads(slewtrace("compare", "--table", other, "--json").stdout)
    said = slewtrace("compare", "--table", plain).stdout
    mistakes = {
        "a,b\n1,2\n": "line 1",
        "item,group,value\na,x,1\na,x,one\n": "line 3, column value",
        "item,group,value\na,,1\n": "line 2, column group",
        "item,group,value\na,x,nan\n": "line 2, column value",
        "item,group,value\na,x\n": "line 2, column value",
        "item,group,value\na,x,1\na,x,1e300\n": "line 3, column value",
        "item,group,value\n": "no measurement",
        "": "no measurement",
    }

    assert set(document) == {"repeatability", "agreement", "gauge", "individuals"}
    assert document == same
    assert document["individuals"]["n"] == 5
    assert "Repeatability" in said
    assert "n = 5, provisional" in said
    for text, where in mistakes.items():
        (tmp_path / "wrong.csv").write_text(text)
        refused = slewtrace("compare", "--table", tmp_path / "wrong.csv", code=2)
        assert where in refused.stderr
        assert refused.stderr.count("\n") == 1
