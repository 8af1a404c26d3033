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

_FOCUS_AND_BAR = """() => {
    const focus = document.activeElement, bar = document.querySelector('.transport');
    const where = focus.closest('#moments') ? 'moments' : bar.contains(focus) ? 'bar' : '';
    const sticky = getComputedStyle(bar).position === 'sticky';
    return [focus.getBoundingClientRect().bottom,
            sticky ? bar.getBoundingClientRect().top : innerHeight, where];
}"""
_CONTROL_COLOURS = """() => {
    const control = document.querySelector('#replay-axis');
    const [chosen, other] = ['label[data-active]', 'label:not([data-active])']
        .map(part => getComputedStyle(control.querySelector(part)).backgroundColor);
    const field = document.querySelector('#overlay-run');
    return [chosen, other, getComputedStyle(control).backgroundColor,
            getComputedStyle(field).borderTopColor];
}"""
_SCROLLED = """frame => {
    const head = frame.querySelector('tbody th'), left = head.getBoundingClientRect().left;
    frame.scrollLeft = 60;
    const over = [...frame.querySelectorAll('tbody th')].filter(e => e.scrollWidth > e.clientWidth);
    return [getComputedStyle(frame).backgroundImage.split('linear-gradient').length - 1,
            head.getBoundingClientRect().left - left, over.length];
}"""
_MARK_ABOVE_WORDS = """() => [...document.querySelectorAll('summary:not(.button)')].filter(e => {
    const words = document.createRange();
    words.selectNodeContents(e);
    const box = e.getBoundingClientRect(), text = words.getBoundingClientRect();
    return text.top - box.top > (box.height - text.height) / 2 + 4;
}).map(e => e.textContent)"""


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


@pytest.mark.parametrize(("width", "height"), [(1280, 900), (820, 900), (390, 844), (844, 390)])
def test_no_bar_hides_what_has_the_focus(browser, address, width, height):
    """Along the moments of a replay with the keyboard (WCAG 2.4.11); no bar in a low window."""
    with window(browser, viewport={"width": width, "height": height}) as page:
        page.goto(f"{address}/replay?run=both-sides")
        page.wait_for_selector("#moments button.moment >> nth=9")
        page.get_by_role("tab", name="Moments").focus()
        hidden, reached = [], 0
        for _ in range(12):
            page.keyboard.press("Tab")
            bottom_px, bar_px, where = page.evaluate(_FOCUS_AND_BAR)
            reached += where == "moments"
            if where == "moments" and bottom_px > bar_px:
                hidden.append((bottom_px, bar_px))
        sticky = page.evaluate("getComputedStyle(document.querySelector('.transport')).position")

    assert reached >= 9
    assert hidden == []
    assert (sticky == "sticky") is (height > 540)


def test_what_is_chosen_in_sunlight_is_told_at_a_glance(browser, address):
    """The chosen part of a control stands out as black from white; fields have a dark border."""
    with window(browser) as page:
        page.goto(f"{address}/replay?run=both-sides")
        page.wait_for_selector("#replay-axis label[data-active]")
        page.click("#view summary")
        page.click("#view label:has-text('Sunlight')")
        page.keyboard.press("Escape")
        page.wait_for_function("document.documentElement.dataset.look === 'sun'")
        chosen, other, control, border = page.evaluate(_CONTROL_COLOURS)

    assert (chosen, other) == ("rgb(0, 0, 0)", "rgba(0, 0, 0, 0)")
    assert control == "rgb(255, 255, 255)"
    assert border == "rgb(31, 31, 31)"


def test_what_scrolls_sideways_says_so_and_keeps_its_first_column(browser, address):
    """On a phone: shadows at the ends, heads of rows that stay, a mark on its summary's line."""
    with window(browser, viewport={"width": 390, "height": 844}) as page:
        page.goto(f"{address}/compare?runs=both-sides,repeat")
        page.wait_for_selector("#compare-overlay .main-svg")
        table = page.locator(".scrolled:has(.sectors-of)")
        shadows, moved_px, over = table.evaluate(_SCROLLED)
        apart = page.evaluate(_MARK_ABOVE_WORDS)

    assert shadows == 4
    assert moved_px == 0
    assert over == 0
    assert apart == []


def test_a_link_to_a_moment_is_a_target_for_gloves(browser, address):
    """44 px high among the lines of the result, and the lines stay as close as before."""
    with window(browser) as page:
        page.goto(f"{address}/sectors?run=both-sides")
        page.wait_for_selector("dd .to-moment")
        sizes = page.evaluate(
            "[...document.querySelectorAll('dd:has(.to-moment)')]"
            ".map(e => [e.querySelector('.to-moment').offsetHeight, e.offsetHeight])"
        )

    assert sizes
    assert min(link for link, _ in sizes) >= 44
    assert min(line for _, line in sizes) < 30


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
