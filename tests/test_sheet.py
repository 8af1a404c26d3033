"""The printed sheet: every field or why not, numbers as in the result, nothing cut off."""

from __future__ import annotations

import json
import math
import re
import shutil
from fractions import Fraction

import pytest
from fastapi import FastAPI
from hypothesis import given
from hypothesis import strategies as st

from dashboard.app import make_app
from dashboard.figures.units import units_of
from dashboard.results import analyse
from dashboard.run_library import RunLibrary
from dashboard.sheet.gathered import gather_dossier, read_later
from dashboard.sheet.sheet import make_sheet, sheet_document
from dashboard.sheet.written import later_utc, printable, spelled
from dashboard.sheet_download import PATH, add_sheet_download
from logger.events.alarm import AlarmBook
from logger.events.wheel_lift import ContactEvent, ContactState
from logger.recording.corrections import NewCalibration, add_correction
from logger.recording.header import Gap, Note
from logger.recording.run import open_run
from tests.made_run import RIG_TOML, TEST_TOML
from tests.made_sheets import (
    CHART,
    answered,
    both_sides,
    fonts_of,
    letters_outside,
    nothing_proved,
    pages_of,
    plain,
    sealed,
    squeezed,
    stands_below,
    with_chart,
)
from tests.test_cli import slewtrace

KG_IN_LB, M_IN_FT = Fraction("0.45359237"), Fraction("0.3048")
"""By the international agreement of 1959."""
STATED = """
[record]
laboratory = "Test bay, 1 Example Road"
customer = "Example haulage"
procedure = "Yard procedure 7, version 3"
truck = "plate EX 123"
crane = "serial 42"
configuration = "flat body, empty"
condition = "no damage seen"
ground = "concrete"
wind = "under 3 m/s"
level = "within 0.3 deg"
temperature = "14 °C"
deviations = "none at all"
"""
MARKUP = (
    '#pagebreak() *b* _i_ $x^2$ [a](b) \\\\ `c` <l> @ref = H // c /* */ #image(\\"/etc/passwd\\")'
)
HEBREW, HAN = "\u05e9\u05dc\u05d5\u05dd", "\u65e5\u672c"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Where the runs of these tests lie."""
    return tmp_path_factory.mktemp("printed")


@pytest.fixture(scope="module")
def run(folder):
    """A run with lifts on both sides and a chart; its rig and test files state the least."""
    return sealed(folder, "bare", both_sides(), test=with_chart(), chart=CHART)


def dossier_of(path, units="si", issued="2026-05-06"):
    return gather_dossier(open_run(path), units=units, issued=issued, later=read_later(path))


@pytest.fixture(scope="module")
def bare(run):
    """What its sheet is made of."""
    return dossier_of(run)


@pytest.fixture(scope="module")
def printed(bare):
    """Its sheet."""
    return make_sheet(bare)


def record_of(pdf):
    """All of a record's text, the running heads taken out where pages meet."""
    return " ".join(pages_of(pdf)[:-1])


def test_what_nobody_stated_is_there_with_its_reason(printed):
    """Every item of ISO/IEC 17025:2017, 7.8.2 (from memory) is present, or n/a with a reason."""
    text = record_of(printed)

    assert "Stability test of a truck-mounted crane" in text
    for label in (
        *("Laboratory", "Site", "Customer", "Truck, identity", "Crane, identity"),
        *("Configuration", "Condition", "Procedure", "Deviations", "Ground", "Temperature"),
    ):
        assert f"{label} n/a, because the test file does not state it" in text, label
    for label, value in (
        ("Truck", "Bench truck"),
        ("Crane", "Bench crane"),
        ("Date of the test", "2026-05-04 09:30:00 UTC to"),
        ("Date of issue", "2026-05-06"),
        ("Basis", "1/0.85, rounded"),
        ("Moment factor", "1.18"),
        ("Decision rule", "guarded"),
        ("Method of computing", "version"),
        ("Wind", "n/a, because no wind was recorded"),
        ("Level", "n/a, because no pitch or roll was recorded"),
        ("Rated load", "n/a, because the test file states the rated moment only"),
        ("Remarks", "n/a, because the test file holds none"),
        ("Verdict", "n/a, because the rig was not checked"),
        ("Aborts and repeats", "none: 2 sweeps, all of which count"),
        ("Recorded by", "tests"),
        ("Computed and set by", "slewtrace"),
    ):
        assert f"{label} {value}" in text, label
    assert "n/a, because the rig file names no calibration of it" in text
    assert "n/a, because no device sent its uptime" in text
    assert "relate only to the item tested" in text
    assert "the guard band is the expanded uncertainty U = k·u" in text
    for role in ("Operator", "Engineer", "Witness", "Approver"):
        assert role in text
    assert text.count("signature date") == 4


def test_what_was_stated_is_there(folder):
    """Each statement of [record] and [test] is printed; so are notes, gaps, alarms."""
    test = TEST_TOML.replace(
        'operator = "A. Tester"',
        'operator = "O. Perator"\nengineer = "E. Gineer"\nwitness = "W. Itness"\nsite = "Yard 2"',
    )
    rig = RIG_TOML.replace(
        "scale = 0.5\n",
        'scale = 0.5\ncalibrated = { on = "2024-02-03", reference = "weights, no. 4711/24", '
        'by = "Cal. room", due = "2025-02-03", range = ["0 kg", "2000 kg"] }\n',
    )
    path = sealed(
        folder,
        "stated",
        nothing_proved(),
        rig=rig,
        test=test + STATED,
        notes=(Note(t_ns=3 * 10**9, kind="radius", text="tape", value_m=3.921),),
        gaps=(Gap(t_ns=10**9, source="wheels", kind="missing_packs", missing=17),),
        alarms=({"event": "alarm", "t_s": 2.0, "state": "unknown", "text": "wheel is silent"},),
        check={"verdict": "not_ready", "utc": "2026-05-04T09:00:00Z", "steps": [{"title": "zero"}]},
    )
    later = path.with_suffix(".record.toml")
    later.write_text('[record]\napprover = "A. Pprover"\ncustomer = "Example haulage"\n')
    text = record_of(make_sheet(dossier_of(path)))

    for words in re.findall(r'^\w+ = "(.*)"$', STATED, re.MULTILINE):
        assert words in text
    for words in ("O. Perator", "E. Gineer", "W. Itness", "Yard 2"):
        assert words in text
    assert "A. Pprover (stated after the run was sealed)" in text
    assert "weights, no. 4711/24 2024-02-03 2025-02-03: OVERDUE Cal. room" in text
    assert "0 kg to 2000 kg" in text
    assert "radius by tape 3.921 m tape" in text
    assert "wheels missing packs 17" in text
    assert "unknown wheel is silent" in text
    assert "Verdict NOT READY" in text


def test_nobody_is_said_to_have_acknowledged_what_nobody_did(folder):
    """A suspicion needs nobody, a lift waits, and a person's word is told from both."""
    book, told = AlarmBook(), []
    for state, t_s in ((ContactState.SUSPECT, 2.0), (ContactState.CONFIRMED, 2.1)):
        opened = ContactEvent(
            wheel="rear_left",
            state=state,
            t_ns=round(t_s * 1e9),
            opened_ns=2 * 10**9,
            last_closed_ns=None,
        )
        told += book.contact(opened, load_hanging=True)
    told += book.acknowledge(3 * 10**9)
    alarms = tuple(change.as_event() for change in told)
    path = sealed(folder, "alarms", nothing_proved(), alarms=alarms)
    text = record_of(make_sheet(dossier_of(path)))
    table = text[text.index("Alarms, as they were given") : text.index("Notes")]

    assert [a["acknowledged"] for a in alarms] == [True, False, True]
    assert re.findall(r"not needed|not yet|\byes\b", table) == ["not needed", "not yet", "yes"]


def test_a_later_statement_adds_and_never_says_otherwise(run, folder, tmp_path):
    """A file that contradicts the sealed run, or holds a strange key, is refused in one line."""
    other = tmp_path / "other.toml"
    for text, says in (
        ('[record]\noperator = "Someone else"\n', "is not what the sealed run states"),
        ('[record]\noperater = "X"\n', "did you mean 'operator'?"),
        ("nothing", "is no valid TOML"),
    ):
        other.write_text(text)
        done = slewtrace("sheet", run, "-o", tmp_path / "s.pdf", "--record", other, code=2)

        (line,) = done.stderr.strip().splitlines()
        assert says in line
    assert not (tmp_path / "s.pdf").exists()


def test_every_page_names_record_run_hash_and_its_number(printed, bare):
    """Id, run, first characters of the SHA-256, page x of y; the end is on the last page only."""
    *record, placard = pages_of(printed)
    sha256 = bare.header.sha256
    anchor = f"SHA-256 {sha256[:8]} {sha256[8:16]} …"

    for number, page in enumerate(record, start=1):
        assert f"record {bare.sheet_id}" in page
        assert "Run bare" in page
        assert anchor in page
        assert f"page {number} of {len(record)}" in page
        assert "Relates only to the item tested" in page
        assert ("— End of record —" in page) == (number == len(record))
    assert anchor in placard
    assert f"placard {bare.sheet_id}, page 1 of 1" in placard
    assert sha256 in squeezed(record_of(printed))


def test_fonts_lie_in_the_file_and_no_letter_leaves_the_page(printed):
    """Every font is embedded with its table of letters; nothing stands beyond the margins."""
    fonts = fonts_of(printed)

    assert len(fonts) >= 2
    assert all(fonts.values())
    assert letters_outside(printed, margin_pt=28) == []


def test_numbers_are_those_of_the_result(run, printed, bare):
    """Sectors, lifts, holds, budgets and the derated chart as analyze --json gives them."""
    result = json.loads(slewtrace("analyze", run, "--json").stdout)
    text = plain(record_of(printed)).replace("\u202f", " ")

    for s in result["sectors"]:
        told = f"{s['percent']} %" if s["percent"] else "no lifting"
        least = (
            "— —"
            if s["least_proved_nm"] is None
            else f"{math.floor(s['least_proved_nm'] / 10) / 100:.2f} kN·m "
            f"{s['least_proved_percent']:.2f} %"
        )
        line = f"{s['side']} {s['from_deg']}° {s['to_deg']}° {told} {s['basis']} {least}"
        assert line in text
    holds = [h for s in result["sweeps"] for h in s["holds"]]
    assert len(holds) == 4
    for h in holds:
        line = (
            f"{abs(h['from_deg']):.1f}° {abs(h['to_deg']):.1f}° {h['radius_m']:.3f} m sensor "
            f"{h['load_kg']:,.1f} kg {h['moment_nm'] / 1000:.2f} kN·m "
            f"{h['moment_budget']['expanded'] / 1000:.2f} kN·m "
            f"{math.floor(h['proved_moment_nm'] / 10) / 100:.2f} kN·m {h['proved_percent']:.2f} %"
        ).replace(",", " ")
        assert line in text
    for lift in (s["first_lift"] for s in result["sweeps"]):
        low, high = sorted(map(abs, lift["interval_deg"]))
        assert f"{abs(lift['estimate_deg']):.2f}° {low:.2f}° to {high:.2f}°" in text
    assert len(result["load_chart"]["rows"]) == 6 * 12
    for row in result["load_chart"]["rows"]:
        if row["percent"]:
            radius = f"{row['radius_m']:.1f}"
            assert re.search(rf"{radius} .*?{_thousands(row['load_kg'])} ", text), row
    assert text.count("coverage factor k 2.00") == 2
    assert bare.result["sectors"] == result["sectors"]


def _thousands(value):
    return f"{round(value):,}".replace(",", " ")


def test_us_units_round_to_the_safe_side(run):
    """Loads and radii of the placard in lb and ft are never above the maker's."""
    dossier = dossier_of(run, units="us")
    document = sheet_document(dossier, paper="letter", part="placard")
    chart = document["placard"]["chart"]
    rows = [line.split(",") for line in CHART.splitlines()[1:]]
    shares = [Fraction(h.split()[0]) for h in (plain(x) for x in chart["head"][1:])]

    assert shares[0] == 100
    assert len(shares) == 3
    for (radius_m, load_kg), printed_row in zip(rows, chart["rows"], strict=True):
        radius_ft = Fraction(radius_m) / M_IN_FT
        assert Fraction(printed_row[0]) <= radius_ft < Fraction(printed_row[0]) + Fraction(1, 100)
        for share, told in zip(shares, printed_row[1:], strict=True):
            derated_kg = math.floor(Fraction(load_kg) * share / 100)
            load_lb = derated_kg / KG_IN_LB
            pounds = Fraction(re.sub(r"\s", "", told))
            assert pounds <= load_lb < pounds + 1
    assert "rounded down" in document["placard"]["chart_note"]


def test_us_units_stand_everywhere(run):
    """A record in US units shows no quantity of the result in SI."""
    text = record_of(make_sheet(dossier_of(run, units="us"), paper="letter"))
    # What people wrote in their files stays as they wrote it.
    told = text.split("Instruments")[0]

    assert "39 165 ft·lbf" in told
    assert not re.search(r"\d (kN·m|kg|m)\b", re.sub(r"steps of [\d.]+ \w+", "", told))


def test_a_run_that_proves_nothing_forbids_lifting(folder, tmp_path):
    """The placard says NO LIFTING, shows no ring and no percentage; the command ends with 1."""
    path = sealed(folder, "nothing", nothing_proved(), test=with_chart(), chart=CHART)
    out = tmp_path / "sheet.pdf"
    slewtrace("sheet", path, "-o", out, "--part", "placard", code=1)
    (page,) = pages_of(out.read_bytes())

    assert "NO LIFTING" in page
    assert "Nothing proved." in page
    assert "the load never hung" in page
    assert "This page allows no lifting in any direction" in page
    assert not re.search(r"\b(100|\d\d) %, kg", page)
    assert "CAB" not in page
    assert "Valid for this truck" not in page


def test_the_placard_says_where_how_much_and_for_what_only(printed, bare):
    """Truck, crane, sectors in words, derated chart, day, cautions; on one page."""
    *_, page = pages_of(printed)

    for words in (
        "Bench truck",
        "Bench crane",
        "NO LIFTING right 171° to 180°, left 167° to 180°",
        "Valid for this truck with this crane as they stood in the test only.",
        "tested 2026-05-04, issued 2026-05-06",
        "NO LIFTING where the plan is black.",
        *bare.result["cautions"],
    ):
        assert words in page
    for sector in bare.result["sectors"]:
        if sector["percent"]:
            assert f"{sector['percent']} %" in page


def test_hostile_names_are_words_and_stay_on_the_page(folder):
    """Markup is printed as it stands, long words wrap, no letter leaves a page."""
    test = with_chart().replace('"Bench truck"', f'"{("W" * 90 + MARKUP)[:200]}"')
    test = test.replace('"Bench crane"', f'"{HAN * 20} {HEBREW} {"x" * 120}"')
    test = test.replace(
        'operator = "A. Tester"',
        f'operator = "{"o" * 100} {HEBREW}"\nnotes = "{"n" * 300} {MARKUP}\\nline 2"',
    )
    test += f'[record]\ncustomer = "{MARKUP}"\ncondition = "{"w" * 1000}"\n'
    name = "h" * 60 + "_" + "g" * 60
    path = sealed(folder, name, both_sides(), test=test, chart=CHART)
    dossier = dossier_of(path)
    said = MARKUP.replace('\\"', '"').replace("\\\\", "\\")
    for paper, part, count in (("letter", "both", 2), ("a4", "placard", 1)):
        pdf = make_sheet(dossier, paper=paper, part=part)
        pages = pages_of(pdf)
        text = squeezed("".join(pages))

        assert text.count(squeezed(said)[:40]) >= count
        assert ("n" * 300 in text) == (part == "both")
        assert name in squeezed(pages[-1])
        assert "U+65E5 U+672C" in pages[-1]
        if part == "both":
            assert stands_below(pdf, "oooooo", "I operated the crane")
        assert letters_outside(pdf, margin_pt=28) == []
        assert "page 1 of 1" in pages[-1]


@pytest.mark.parametrize("lines", [1, 70, 300])
def test_a_chart_of_any_length_leaves_the_placard_on_one_page(folder, lines):
    """A chart that would not be legible there is not squeezed in: the placard says where it is."""
    chart = "radius m,load kg\n" + "".join(f"{2 + r / 50:.2f},{3000 - r}\n" for r in range(lines))
    path = sealed(folder, f"chart-{lines}", both_sides(), test=with_chart(), chart=chart)
    pdf = make_sheet(dossier_of(path), part="placard")
    (page,) = pages_of(pdf)

    assert ("does not fit on this page" in page) == (lines == 300)
    assert ("radius, m" in page) == (lines != 300)
    assert "page 1 of 1" in page
    assert letters_outside(pdf, margin_pt=28) == []


def test_a_correction_is_told_with_who_when_and_why(folder):
    """A layer over the sealed run stands on the record, and makes another sheet of it."""
    path = sealed(folder, "corrected", nothing_proved())
    before = dossier_of(path)
    add_correction(
        path,
        open_run(path).header,
        channel="load",
        calibration=NewCalibration(
            unit="kg",
            coefficients=(-9.0, 0.5),
            u="1 kg",
            calibrated={"on": "2026-05-05", "reference": "set 9"},
        ),
        by="C. Orrector",
        reason="the old weights were wrong",
        made_utc="2026-05-05T08:00:00Z",
    )
    after = dossier_of(path)
    text = record_of(make_sheet(after))

    line = "2026-05-05 08:00:00 UTC load C. Orrector the old weights were wrong -9, 0.5 (kg) set 9"
    assert line in text
    assert before.sheet_id != after.sheet_id


def test_one_sheet_has_one_id(run, bare):
    """The same on the same day has the same id; another unit or day has another."""
    ids = {
        dossier_of(run).sheet_id,
        dossier_of(run, units="us").sheet_id,
        dossier_of(run, issued="2026-05-07").sheet_id,
    }

    assert bare.sheet_id in ids
    assert len(ids) == 3
    assert units_of("si") is bare.units


def test_the_command_prints_and_says_where(run, tmp_path):
    """One line on standard error; an earlier sheet is replaced, as other figures are."""
    out = tmp_path / "sheet.pdf"
    out.write_text("an earlier one")
    done = slewtrace("sheet", run, "-o", out, "--part", "record", "--paper", "letter")

    assert done.stderr.strip() == f"printed: {out}"
    assert done.stdout == ""
    assert "page 1 of" in pages_of(out.read_bytes())[0]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("-o", "sheet.txt"), "ends in .pdf"),
        (("-o", "nowhere/sheet.pdf"), "there is no folder nowhere"),
        (("-o", "s.pdf", "--record", "none.toml"), "there is no such file"),
    ],
)
def test_a_wrong_option_is_one_line(run, tmp_path, monkeypatch, words, says):
    """A wrong ending, folder or record file: one line, exit 2, nothing written."""
    monkeypatch.chdir(tmp_path)
    done = slewtrace("sheet", run, *words, code=2)

    (line,) = done.stderr.strip().splitlines()
    assert says in line
    assert [*tmp_path.iterdir()] == []


def test_the_dashboard_gives_the_same_sheet(tmp_path, run, bare):
    """GET /sheet answers with the PDF; a wrong word or run is told in one line."""
    shutil.copy(run, tmp_path)
    library, server = RunLibrary(tmp_path, analyse=analyse), FastAPI()
    add_sheet_download(server, library)
    try:
        status, pdf, told = answered(server, "run=bare&units=us&paper=letter&part=placard")
        refused = [
            answered(server, words)[:2]
            for words in ("run=nobody", "run=bare&units=cubits", "run=bare&paper=a0")
        ]
    finally:
        library.close()
    (page,) = pages_of(pdf)

    assert status == 200
    assert told["content-type"] == "application/pdf"
    assert 'attachment; filename="bare-placard.pdf"' in told["content-disposition"]
    assert "Bench truck" in page
    assert "radius, ft" in page
    assert bare.header.sha256[:8] in page
    assert [status for status, _ in refused] == [404, 400, 400]
    assert b"si, us will" in refused[1][1]
    assert PATH in {route.path for route in make_app(tmp_path).server.routes}


@given(st.text(alphabet=st.characters(exclude_categories=["Cc", "Cf", "Cs", "Zl", "Zp"])))
def test_cleaning_loses_no_letter(text):
    """Only places to break are added, and a narrow space becomes one that the fonts know."""
    cleaned = printable({"a": [text]})["a"][0]

    assert cleaned.replace("\u200b", "") == text.replace("\u202f", "\u00a0").replace("\u200b", "")
    assert all(len(word) < 40 for word in re.findall(r"[a-z]+", cleaned))


def test_cleaning_takes_out_what_turns_or_breaks_the_line():
    """Overrides of direction, controls and open isolates go; closed isolates stay."""
    assert printable("a\u202eb\u2066c\x07d\u200de") == "abcde"
    assert printable("a\u2068b") == "ab"
    assert printable("a\u2068b\u2069") == "a\u2068b\u2069"
    assert spelled("Truck Ä 7") == "Truck Ä 7"
    assert spelled("\U0001f69a 7") == "\U0001f69a 7 (with U+1F69A)"


def test_the_end_of_a_run_by_the_clock():
    """Seconds are added over midnight, fractions counted."""
    assert later_utc("2026-12-31T23:59:59.75Z", 0.5) == "2027-01-01T00:00:00Z"


def test_the_rule_that_was_asked_for_is_told(run, bare):
    """A result by another rule says on the record what the test file states."""
    asked = analyse(open_run(run), rule="simple")
    other = gather_dossier(open_run(run), units="si", issued="2026-05-06", result=asked)
    text = json.dumps(sheet_document(other, paper="a4", part="record"), ensure_ascii=False)

    assert "simple (the test file states guarded)" in text
    assert "no guard band" in text
    assert other.sheet_id != bare.sheet_id
