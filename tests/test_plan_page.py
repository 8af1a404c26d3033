"""The page Plan in a real Chromium: filled in, mended, saved, opened again, by keyboard."""

from __future__ import annotations

import re

import pytest

from dashboard.figures.units import SI, US
from dashboard.pages.plan_checks import check_values, least_radius_words
from dashboard.pages.plan_model import NewestOnly
from dashboard.pages.planned import quick_plan, whole_plan
from dashboard.test_form.example import EXAMPLE_TOML
from logger.readings.test_file import read_test
from tests.browsing import needs_chromium, window
from tests.sample_runs import seal_sample
from tests.served import served
from tests.test_cli import slewtrace

MASS = "plan-f-load/parts/0/mass"
HOSTILE = """\
[test]
id = "hostile"
stale_afer = 1
operator = "<img src=x onerror=alert(1)>"
[truck]
id = "\\u202Egnol <script>alert(1)</script> LONG"
wheels = ["front_left", "front_right", "rear_left", "rear_right"]
[crane]
rated_moment = "45 parsec"
[load]
parts = [{ name = "]]\\" <b>bold</b>", mass = "1400 kg", u = "1 kg" }]
""".replace("LONG", "L" * 120)


def answered(page, does):
    """Does something and waits until the server has answered what stands in the form then."""
    before = page.get_attribute("#plan-page", "data-checked")
    does()
    page.wait_for_function(
        "n => document.querySelector('#plan-page').dataset.checked !== n", arg=before
    )


def opened(page, name, text, *, button="#plan-open"):
    """Picks a file."""
    with page.expect_file_chooser() as chooser:
        page.click(button)
    chooser.value.set_files([{"name": name, "mimeType": "text/plain", "buffer": text.encode()}])


def dropped(page, name, text):
    """Drags a file onto the page."""
    page.evaluate(
        """([name, text]) => {
            const dataTransfer = new DataTransfer();
            dataTransfer.items.add(new File([text], name));
            document.body.dispatchEvent(
                new DragEvent("drop", { dataTransfer, bubbles: true, cancelable: true }));
        }""",
        [name, text],
    )


def field(page, key):
    """A field by its id."""
    return page.locator(f'[id="{key}"]')


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    """A dashboard on one run."""
    folder = tmp_path_factory.mktemp("runs")
    seal_sample(folder)
    with served(folder) as url:
        yield url


def slips_and_mends(page):
    """A slip is told at the field, in the summary and beside the result, and mended by keyboard."""
    mass = field(page, MASS)
    answered(page, lambda: mass.fill("1360"))
    assert mass.get_attribute("aria-invalid") == "true"
    assert "no unit in it" in field(page, f"{MASS}-says").inner_text()
    assert "1 field needs another look" in page.inner_text("#plan-mistakes")
    assert "Not of what stands in the form now" in page.inner_text("#plan-stale")
    page.click("#plan-save")
    page.wait_for_selector("#plan-saved:has-text('Not saved: 1 mistake')")

    page.locator("#plan-mistakes a").focus()
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == MASS
    page.keyboard.press("Control+A")
    answered(page, lambda: page.keyboard.type("3000 lb"))
    page.wait_for_selector("#plan-mistakes .all-right")
    assert mass.get_attribute("aria-invalid") is None


def adds_and_takes_out(page):
    """A part is added, taken out and taken back, by keyboard."""
    page.locator('[data-add="load/parts"]').focus()
    answered(page, lambda: page.keyboard.press("Enter"))
    assert page.evaluate("document.activeElement.id") == "plan-f-load/parts/2/name"
    answered(page, lambda: page.keyboard.type('sling "]'))
    answered(page, lambda: field(page, "plan-f-load/parts/2/mass").fill("12 kg"))
    answered(page, lambda: page.locator('[data-take="load/parts/1"]').press("Enter"))
    assert field(page, "plan-f-load/parts/1/name").input_value() == 'sling "]'
    answered(page, lambda: page.click("text=Take it back"))
    answered(page, lambda: field(page, "plan-f-test/id").fill("yard-3"))
    page.wait_for_selector("#plan-commands:has-text('test-yard-3.toml')", state="attached")


def saves(page, folder):
    """The saved file is taken by the command line, with the same answer."""
    with page.expect_download() as download:
        page.click("#plan-save")
    saved = folder / download.value.suggested_filename
    download.value.save_as(saved)
    test = read_test(saved.read_text())
    told = slewtrace("plan", "--test", saved).stdout
    guarded_m = whole_plan(saved.read_text(), "")["guarded_radius_m"]
    assert saved.name == "test-yard-3.toml"
    assert [p.name for p in test.load.parts] == ["block", "hook block and rigging", 'sling "]']
    assert "# above the ground, at the test radius" in saved.read_text()
    assert re.search(rf"Guarded radius +{guarded_m:.2f} m", told)
    page.wait_for_selector(f"#plan-numbers:has-text('{guarded_m:.2f}')")


def comes_back(page):
    """What was typed outlives the page, in other units too, until it is discarded."""
    page.reload()
    page.wait_for_selector("#plan-page[data-checked]")
    assert field(page, MASS).input_value() == "3000 lb"
    assert "kept in this browser" in page.inner_text("#plan-notice")
    page.click("#view summary")
    page.click("#view label:has-text('ft')")
    page.wait_for_selector("#plan-numbers:has-text('ft·lbf')")
    page.keyboard.press("Escape")
    assert field(page, MASS).input_value() == "3000 lb"
    answered(page, lambda: page.click("#plan-discard"))
    assert field(page, MASS).input_value() == "1360 kg"


@pytest.mark.browser
@needs_chromium[1]
def test_a_test_is_planned_mended_and_saved(browser, address, tmp_path):
    """Numbers are the plan's; a slip is told at its field; what is right is saved, all is kept."""
    with window(browser, viewport={"width": 1280, "height": 900}) as page:
        page.goto(f"{address}/plan")
        page.wait_for_selector("#plan-page[data-checked]")
        plan = quick_plan(EXAMPLE_TOML, "")

        assert "3.89" in page.inner_text("#plan-numbers .plan-numerals")
        assert plan["guarded_radius_m"] == pytest.approx(3.89)
        unnamed = page.evaluate(
            """[...document.querySelectorAll("#plan-form [data-path]:not([type=hidden])")].filter(
                (e) => !(e.labels?.length || e.ariaLabel)
                    || e.getAttribute("aria-describedby")?.split(" ").some(
                        (id) => !document.getElementById(id))).map((e) => e.id)"""
        )
        assert unnamed == []

        slips_and_mends(page)
        adds_and_takes_out(page)
        saves(page, tmp_path)
        comes_back(page)


@pytest.mark.browser
@needs_chromium[1]
def test_files_are_opened_with_their_mistakes_and_hostile_words_stay_words(browser, address):
    """A run's file is a start; a broken file is refused; mistakes stand at their fields."""
    with window(browser, viewport={"width": 390, "height": 844}) as page:
        page.goto(f"{address}/plan?run=both-sides")
        page.wait_for_selector("#plan-reactions .main-svg")
        assert "both-sides" in page.inner_text("#plan-notice")
        assert page.input_value('[id="plan-f-truck/id"]') == "Demo truck A"
        assert "lifts first" in page.inner_text("#plan-model")
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")

        opened(page, "broken.toml", "[test\n")
        page.wait_for_selector("#plan-notice:has-text('broken.toml: is no valid TOML')")
        assert page.input_value('[id="plan-f-truck/id"]') == "Demo truck A"

        answered(page, lambda: dropped(page, "hostile.toml", HOSTILE))
        page.wait_for_selector("#plan-mistakes h2:has-text('2 fields need another look')")
        assert "unknown key" in page.inner_text('[data-says="test/?stale_afer"]')
        page.click("#plan-glance")
        page.locator("#plan-mistakes a", has_text="Rated moment").click()
        assert page.evaluate("document.activeElement.id") == "plan-f-crane/rated_moment"
        answered(page, lambda: page.keyboard.press("Control+A") or page.keyboard.type("45 kN·m"))
        answered(page, lambda: page.uncheck('[id="plan-f-test/?stale_afer"]'))
        page.wait_for_selector("#plan-set-up-figure svg")
        page.wait_for_selector("#plan-mistakes .all-right")
        assert page.locator("#plan-page :is(img, script, b)").count() == 0
        assert "Not in the form" in page.inner_text("#plan-model")
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")

        chart = "radius m,load kg\n2,2200\n3,1500\n4,1190\n5,900\n"
        answered(page, lambda: opened(page, "my.csv", chart, button="#plan-open-chart"))
        page.wait_for_selector("#plan-numbers li:has-text('test load on the chart'):has-text('%')")
        assert page.input_value('[id="plan-f-crane/chart"]') == "my.csv"
        answered(page, lambda: page.click("#plan-notice button"))
        assert page.input_value('[id="plan-f-crane/chart"]') == ""


def test_a_radius_to_reach_is_never_shown_short():
    """In feet the radius is rounded up, so that whoever sets it by a tape in feet reaches it."""
    plan = quick_plan(EXAMPLE_TOML, "")
    feet = float(least_radius_words(3.89, plan, US).split("\u202f")[0])

    assert least_radius_words(3.89, plan, SI) == "3.89\u202fm"
    assert 3.89 / 0.3048 <= feet < 3.89 / 0.3048 + 0.01


def test_a_load_that_is_too_uncertain_is_told_in_the_form():
    """What only planning finds out is a mistake like any other, not a failure."""
    text = EXAMPLE_TOML.replace('u = "2 kg"', 'u = "900 kg"')
    checked, plan = check_values({"values": {}, "text": text, "name": "test.toml", "chart": None})

    assert plan is None
    assert [m.path for m in checked.mistakes] == ["load"]
    assert "proves nothing" in checked.mistakes[0].says


def test_only_the_newest_question_of_a_page_is_worked_out():
    """What was typed meanwhile makes the older question worthless, on its own page only."""
    newest = NewestOnly()
    newest.ask("one", 4)
    newest.ask("one", 5)
    newest.ask("two", 1)
    made = {"toml": EXAMPLE_TOML, "chart": ""}

    assert newest.work_out(made | {"page": "one", "number": 4}) is None
    assert newest.work_out(made | {"page": "two", "number": 1}) is not None
    assert newest.is_newest("one", 5)
