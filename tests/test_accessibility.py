"""Every page passes axe-core, the open checker of the WCAG, wide and narrow, in two looks."""

from __future__ import annotations

import pytest

from tests.browsing import needs_chromium, violations, window
from tests.made_catalogue import fleet_rows, write_fleet
from tests.sample_runs import seal_sample
from tests.served import served

pytestmark = needs_chromium
PAGES = {
    "runs": ("/", "h1:has-text('Runs')"),
    "live": ("/live", "main h1"),
    "plan": ("/plan", "h1:has-text('Plan')"),
    "sectors": ("/sectors?run=both-sides", "#capacity-frame .main-svg"),
    "replay": ("/replay?run=both-sides", "#replay[data-run]"),
    "compare": ("/compare?runs=both-sides,repeat&limit=2", "#compare-overlay .main-svg"),
    "fleet": ("/fleet", "#fleet-trend .main-svg"),
    "nowhere": ("/nowhere", "main h1"),
}


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    """A dashboard on a run and its repeat, and a catalogue of sixty made ones."""
    folder = tmp_path_factory.mktemp("runs")
    seal_sample(folder)
    write_fleet(folder, *fleet_rows(60, hostile=True))
    seal_sample(folder, run_id="repeat", seed=2)
    with served(folder) as url:
        yield url


@pytest.mark.parametrize("page_name", PAGES)
def test_no_page_keeps_anyone_out(browser, address, page_name):
    """No violation of levels A and AA, and no sideways scrolling: by night, and on a phone."""
    path, drawn = PAGES[page_name]
    found, looks, too_wide = {}, [], []
    with window(browser, color_scheme="dark") as page:
        page.goto(address + path)
        for width, look in ((1280, "Night"), (390, "Sunlight")):
            page.set_viewport_size({"width": width, "height": 900})
            page.wait_for_selector(drawn)
            if look != "Night":  # which the system asks for
                page.click("#view summary")
                page.click(f"#view label:has-text('{look}')")
                page.keyboard.press("Escape")
            page.wait_for_timeout(800)  # figures are drawn anew
            page.wait_for_selector(drawn)
            # Seen whole, so that a bar at the foot hides nothing.
            height_px = page.evaluate("document.documentElement.scrollHeight")
            page.set_viewport_size({"width": width, "height": height_px})
            # A chart's structure is the same in each look; its colours stand in test_figures.
            found[look] = violations(page, charts=look == "Night")
            looks.append(page.evaluate("document.documentElement.dataset.look"))
            if page.evaluate("document.documentElement.scrollWidth") > width:
                too_wide.append(width)

        assert looks == ["night", "sun"]
        assert found == {"Night": [], "Sunlight": []}
        assert too_wide == []


def test_the_checker_finds_what_is_wrong(browser, address):
    """A picture without words, put into a page, is found: the checks above can fail."""
    with window(browser) as page:
        page.goto(f"{address}/nowhere")
        page.wait_for_selector("h1")
        page.evaluate(
            "document.querySelector('main').append("
            "Object.assign(new Image(), {src: 'data:image/gif;base64,R0lGODlhAQABAAAAACw='}))"
        )

        assert any("image-alt" in line for line in violations(page))
