"""The sectors page in a real Chromium: another method beside the record, and the reader's units."""

from __future__ import annotations

import re

import pytest

from dashboard.gathering import gather_evidence
from dashboard.results import OtherMethod, analyse, judge
from logger.recording.run import open_run
from tests.browsing import needs_chromium, window
from tests.sample_runs import seal_sample
from tests.served import served


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A folder with the run that lifts on both sides."""
    made = tmp_path_factory.mktemp("runs")
    seal_sample(made)
    return made


@pytest.fixture(scope="module")
def run(folder):
    return open_run(folder / "both-sides.parquet")


@pytest.fixture(scope="module")
def evidence(run):
    return gather_evidence(run)


def full_percent(result, side):
    """The percentage of a side's first sector."""
    return next(s["percent"] for s in result["sectors"] if s["side"] == side)


def test_nothing_other_is_the_record(run, evidence):
    """Judged by the method of its own file, a run has its own result."""
    assert judge(run, evidence, OtherMethod()) == analyse(run)


def test_another_rule_is_what_the_command_gives(run, evidence):
    """The page and ``analyze --rule simple --sectors steps`` say the same."""
    other = judge(run, evidence, OtherMethod(rule="simple", sectors="steps"))

    assert other == analyse(run, rule="simple", sectors="steps")


@pytest.mark.parametrize("factor", [1.25, 1.5])
def test_a_greater_factor_asks_for_a_greater_moment(run, evidence, factor):
    """As many times more is required, and the same proof is so much less of it, by hand."""
    as_recorded = judge(run, evidence, OtherMethod(percent_step=0.001))
    other = judge(run, evidence, OtherMethod(moment_factor=factor, percent_step=0.001))
    k = as_recorded["plan"]["moment_factor"]
    required_nm = as_recorded["plan"]["required_moment_nm"] * factor / k
    proved_nm = min(
        h["proved_moment_nm"] for h in as_recorded["sweeps"][0]["holds"] if h["from_deg"] < 1
    )

    assert other["plan"]["required_moment_nm"] == pytest.approx(required_nm)
    assert full_percent(other, "right") == pytest.approx(100 * proved_nm / required_nm, abs=0.0011)


@pytest.fixture(scope="module")
def address(folder):
    with served(folder) as url:
        yield url


class TestInChromium:
    """What a person sees and does."""

    pytestmark = needs_chromium

    def test_another_method_stands_beside_the_record(self, browser, address, run, evidence):
        """Choices give another set of sectors, marked; what makes no method is told in a line."""
        other = judge(run, evidence, OtherMethod(rule="simple", moment_factor=1.25))
        with window(browser, viewport={"width": 1280, "height": 900}) as page:
            page.goto(f"{address}/sectors?run=both-sides")
            page.wait_for_selector("#what-if-frame:has-text('As recorded')")
            recorded = page.inner_text("#verdict")
            page.click("#what-if label:has-text('Simple')")
            page.fill("#what-if-moment_factor", "1.25")
            percent = f"{full_percent(other, 'right'):g} %"
            page.wait_for_selector(f".what-if-new:has-text('{percent}')")
            words = page.inner_text("#what-if")
            page.fill("#what-if-moment_factor", "9")
            page.wait_for_selector("#what-if-frame .invalid")

            assert "Not the record" in words
            assert "simple acceptance" in words
            assert page.inner_text("#verdict") == recorded
            assert "write one from 1 to 3" in page.inner_text("#what-if-frame")

    def test_units_and_colours_are_chosen_once(self, browser, address, run):
        """Tables and sentences follow the choice, and it is still there after a reload."""
        result = analyse(run)
        hold = result["sweeps"][0]["holds"][0]
        pounds = hold["load_kg"] / 0.45359237
        with window(browser, viewport={"width": 1280, "height": 900}) as page:
            page.goto(f"{address}/sectors?run=both-sides")
            page.wait_for_selector("#proof")
            page.click("#view summary")
            page.click("#view label:has-text('lb, ft')")
            page.click("#view label:has-text('Sunlight')")
            page.wait_for_selector("#proof:has-text('ft·lbf')")
            page.reload()
            page.wait_for_selector("#proof:has-text('ft·lbf')")
            proof = page.inner_text("#proof").replace("\u202f", "")
            why = page.text_content("#truck-model .why").replace("\u202f", " ")

            assert f"{pounds:.0f}lb at" in proof
            assert not re.search(r"\d *(kg|kN)", proof)
            assert re.search(r"\d lb at \d+\.\d+ ft", why)
            assert page.get_attribute("html", "data-look") == "sun"
