"""The hardware notes: what they show is read, run or computed here, so that it stays true."""

from __future__ import annotations

import ast
import json
import math
import re
import shlex
import sys
import tomllib
import typing
from pathlib import Path

import numpy as np
import pydantic
import pytest
import tomlkit
import typer

from dashboard.cli import app
from logger.events.wheel_lift import ContactState, WheelLiftDetector
from logger.readings.boom_geometry import sensitivities
from logger.readings.channel_kinds import CHANNEL_KINDS
from logger.readings.rig_file import RigFile, read_rig
from logger.readings.test_file import read_test
from logger.sources.frames import check_crc
from logger.sources.senml import decode_senml
from tests.made_run import RIG_TOML, TEST_TOML

ROOT = Path(__file__).parents[1]
NOTES = ROOT / "hardware_notes"
PAGES = sorted([*NOTES.glob("*.md"), *NOTES.glob("*/*.md")])
TEXTS = {page: page.read_text(encoding="utf-8") for page in PAGES}
ALL = "\n".join(TEXTS.values())
COMMAND = typer.main.get_command(app)
FENCE = re.compile(
    r"(?:<!-- frame: (?P<frame>\w+) -->\n)?^(?P<indent> *)```(?P<kind>\w*)\n(?P<body>.*?)^ *```",
    re.MULTILINE | re.DOTALL,
)


def blocks(kind):
    """Every fenced block of a kind: page, frame, text."""
    return [
        (page.relative_to(NOTES).as_posix(), found["frame"], found["body"])
        for page, text in TEXTS.items()
        for found in FENCE.finditer(text)
        if found["kind"] == kind
    ]


def anchor_of(heading):
    """The anchor that GitHub gives a heading."""
    words = re.sub(r"[^\w\- ]", "", re.sub(r"\[(.*?)\]\(.*?\)", r"\1", heading).lower())
    return words.strip().replace(" ", "-")


def anchors(page):
    """All anchors of a page."""
    text = FENCE.sub("", page.read_text(encoding="utf-8"))
    return {anchor_of(h) for h in re.findall(r"^#+ (.+)$", text, re.MULTILINE)}


def test_links_and_anchors_lead_somewhere():
    """Each file that a page names is there, and each heading that a link means."""
    wrong = []
    for page, text in TEXTS.items():
        for target in re.findall(r"\]\(([^)\s]+)\)", FENCE.sub("", text)):
            if target.startswith(("http://", "https://")):
                continue
            name, _, anchor = target.partition("#")
            path = (page.parent / name).resolve() if name else page
            if not path.exists() or (anchor and anchor not in anchors(path)):
                wrong.append(f"{page.name}: {target}")

    assert wrong == []


def test_the_index_leads_to_every_page():
    """No page is lost: the index names it."""
    linked = re.findall(r"\]\(([^)#\s]+)", TEXTS[NOTES / "README.md"])

    assert {p.relative_to(NOTES).as_posix() for p in PAGES} - {"README.md"} <= set(linked)


@pytest.mark.parametrize(("page", "frame", "text"), blocks("toml"))
def test_examples_are_read(page, frame, text):
    """A fragment, put into the whole file that its page takes as given, is valid."""
    part = tomllib.loads(text)
    if frame == "rig":
        whole = tomllib.loads(RIG_TOML) | {k: v for k, v in part.items() if isinstance(v, dict)}
        for table in ("source", "channel"):
            new = {row["id"]: row for row in part.get(table, [])}
            kept = [row for row in whole[table] if row["id"] not in new]
            whole[table] = [*kept, *new.values()]
        read_rig(tomlkit.dumps(whole))
    elif frame == "test":
        whole = tomllib.loads(TEST_TOML)
        for table, keys in part.items():
            whole[table] = whole.get(table, {}) | keys
        read_test(tomlkit.dumps(whole))
    elif "rig" in part:
        read_rig(text)
    elif "test" in part:
        read_test(text)
    else:
        pytest.fail(f"{page}: a TOML block without a frame, and not a whole file")


def test_lines_of_devices_are_read():
    """Every pack in the notes is SenML, and its checksum is right."""
    packs = [line for _, _, text in blocks("json") for line in text.splitlines() if line]
    for line in packs:
        decode_senml(check_crc(line.encode()))

    assert len(packs) >= 2


def _commands():
    """Every command line of the program in the notes and the services: where, words."""
    found = []
    fenced = [(page, text) for kind in ("sh", "") for page, _, text in blocks(kind)]
    fenced += [(u.name, u.read_text()) for u in sorted((NOTES / "services").glob("*.service"))]
    for where, text in fenced:
        for line in re.sub(r"\\\n\s*", " ", text).splitlines():
            told = re.search(r"(?:^\s*|bin/|Scripts\\)slewtrace (?P<words>[^;|&#]+)", line)
            if told:
                found.append((where, told["words"].strip()))
    inline = re.findall(r"`slewtrace ([a-z]+(?: [^`]*)?)`", ALL)
    return sorted({*found, *(("inline", words) for words in inline)})


@pytest.mark.parametrize(("where", "words"), _commands())
def test_commands_exist_with_these_options(where, words):
    """Each command line names a command and options that there are."""
    given = [w for w in shlex.split(words.replace("\\", "/")) if w not in {"&&", "||", ">"}]
    command = COMMAND
    while given and given[0] in getattr(command, "commands", ()):
        command = command.commands[given.pop(0)]
    names = {o for p in command.params for o in (*p.opts, *p.secondary_opts)} | {"--help"}

    assert not hasattr(command, "commands") or words == "--version", where
    assert {w.split("=")[0] for w in given if w.startswith("-")} <= names, where


@pytest.fixture(scope="module")
def make():
    """The script that makes drawings and tables."""
    sys.path.insert(0, str(NOTES / "drawings"))
    try:
        import make
    finally:
        sys.path.remove(str(NOTES / "drawings"))
    return make


def test_drawings_and_tables_are_what_the_script_makes(make):
    """Nobody has changed one by hand, or a formula without making them anew."""
    stale = [p.name for p, text in make.wanted().items() if p.read_text(encoding="utf-8") != text]

    assert stale == []
    assert {p.stem for p in (NOTES / "drawings").glob("*.svg")} == set(make.DRAWINGS)


def test_every_drawing_is_shown(make):
    """A drawing that no page shows is waste."""
    assert {name for name in make.DRAWINGS if f"drawings/{name}.svg" in ALL} == set(make.DRAWINGS)


def test_labels_over_each_other_are_refused(make):
    """The paper does not let a label touch another, or the edge."""
    for second in ((104, 54), (380, 54)):
        paper = sys.modules["paper"].Paper(400, 100, title="t", about="a")
        paper.say(100, 50, "one label")
        paper.say(*second, "another label")
        with pytest.raises(ValueError, match="another label"):
            paper.svg()


def _figures(make, table):
    """The numbers of a computed table, row by row."""
    rows = sys.modules["tables"].TABLES[table]()[1:]
    return [[float(n) for n in re.findall(r"\d+(?:\.\d+)?", " ".join(row))] for row in rows]


def test_tables_agree_with_first_principles(make):
    """Formulas from elsewhere give the same figures.

    Small swings of a pendulum (any textbook), ten bits a byte on a line with one start and one
    stop bit, the spread of a rectangle and of two points (JCGM 100:2008, 4.3.7 and 4.4.5).
    """
    for length_m, period_s, abrupt_dps in _figures(make, "swing"):
        assert period_s == pytest.approx(2 * math.pi * math.sqrt(length_m / 9.80665), abs=0.051)
        assert abrupt_dps == pytest.approx(2 * math.pi / period_s, rel=0.05)
    for baud, ms, a_second in _figures(make, "wire_time"):
        assert ms == pytest.approx(100 * 10 / baud * 1000, rel=0.01)
        assert a_second == baud // 1000
    for row in _figures(make, "slew_resolution"):
        *_, counts, step_deg, left_deg, arc_mm = row
        assert step_deg == pytest.approx(360 / counts, rel=1e-3)
        assert left_deg == pytest.approx(step_deg * math.sqrt(1 / 12 + 1 / 16), rel=0.06)
        assert arc_mm == pytest.approx(4000 * math.pi / 180 * step_deg, abs=0.06)


def test_the_drawn_bounce_is_judged_as_drawn(make):
    """The detector dates the drawn lift by its first opening and confirms it where the line is."""
    contacts = sys.modules["contacts"]
    detector = WheelLiftDetector(
        "rear_left", on_delay_ns=contacts.ON_DELAY_MS * 1_000_000, off_delay_ns=20_000_000
    )
    seen = {}
    for t_ns in range(0, 80_000_000, 200_000):
        closed = sum(at * 1e6 <= t_ns for at in contacts.BOUNCES_MS) % 2 == 0
        for event in detector.feed(np.array([t_ns]), np.array([closed])):
            seen[event.state] = (t_ns / 1e6, event.opened_ns / 1e6)

    assert seen[ContactState.SUSPECT] == pytest.approx((10, 10), abs=0.2)
    assert seen[ContactState.CONFIRMED] == pytest.approx((66, 10), abs=0.2)


WORKED_OUT = (
    ("At 4 m, 7 mm beside it are 0.1°", 4000 * math.tan(math.radians(0.1)), 7),
    ("360° / (5 × 4096) = 0.017578125°", 360 / (5 * 4096), 0.017578125),
    ("10 m of 0.14 mm² have 2.5 Ω", 2 * 10 * 0.0175 / 0.14, 2.5),
    ("which is 0.7 % of\n  350 Ω", 100 * 2.5 / 350, 0.7),
    ("a standard uncertainty of 2.9 mm", 10 / math.sqrt(12), 2.9),
    ("more than 1 % (0.57°)", math.degrees(math.atan(0.01)), 0.57),
    ("100 ppm are 0.36 s an hour", 100e-6 * 3600, 0.36),
    ("32 bits of microseconds are 71 min", 2**32 / 1e6 / 60, 71),
    ("84 W·h", 12 * 7, 84),
    ("of 400 bytes\nfor a minute are 240 kB", 10 * 400 * 60 / 1000, 240),
    ("at 2°/s a\ntenth of a second between them is 0.2°", 2 * 0.1, 0.2),
)


@pytest.mark.parametrize(("words", "value", "told"), WORKED_OUT)
def test_what_is_worked_out_in_the_text_is_right(words, value, told):
    """A figure that the text calls computed comes out as it says."""
    assert words in ALL
    assert value == pytest.approx(told, rel=0.03)


def test_the_drawn_crane_is_what_the_text_says_of_it(make):
    """How much an inclinometer's error costs is what the program's own formula gives."""
    geometry = sys.modules["geometry"]
    each_deg = sensitivities(geometry.GEOMETRY, geometry._pose())["boom angle"][0]

    assert "0.06 m of radius for each degree: an inclinometer that is off by 0.5° costs 3 cm" in ALL
    assert each_deg == pytest.approx(-0.06, abs=0.005)
    assert geometry.ANGLE_DEG == 42
    assert geometry.LENGTH_M == 5.1


def test_every_channel_is_explained():
    """Each kind of sensor has its place in the notes."""
    assert {kind for kind in CHANNEL_KINDS if f"`{kind}`" not in ALL} == set()
    assert "`wheel/<position>`" in ALL


def _keys(table):
    """Every key of a table of a file and of the tables in it."""
    for name, field in table.model_fields.items():
        yield field.alias or name
        inner = [field.annotation]
        while inner:
            kind = inner.pop()
            inner += typing.get_args(kind)
            if isinstance(kind, type) and issubclass(kind, pydantic.BaseModel):
                yield from _keys(kind)


def test_every_key_of_the_rig_file_is_explained():
    """No key is left to be guessed."""
    page = TEXTS[NOTES / "rig_file.md"]
    named = set(re.findall(r"\w+", " ".join(re.findall(r"`([^`\n]+)`", page))))

    assert set(_keys(RigFile)) - named == set()


def _texts_of_code(folder):
    """Every piece of text in the code of a folder."""
    for path in folder.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                yield node.value


def test_words_of_the_check_are_its_own():
    """What a table quotes from ``check`` is what it says."""
    said = "\n".join(_texts_of_code(ROOT / "logger" / "live" / "check"))
    quoted = re.findall(r"^\| “([^”]+)”", ALL, re.MULTILINE)

    assert [words for words in quoted if words not in said] == []
    assert len(quoted) > 25


def test_findings_that_the_notes_name_are_there():
    """Each code of a finding is one that a result can hold."""
    codes = set(_texts_of_code(ROOT / "dashboard" / "capacity" / "findings"))
    lines = re.findall(r"^In the result: .*?(?:\n\n|\Z)", ALL, re.MULTILINE | re.DOTALL)
    named = re.findall(r"`([a-z]+_[a-z_]+)`", "\n".join(lines))

    assert [code for code in named if code not in codes] == []
    assert len(named) > 5


def test_no_page_promises_safety():
    """The index and the cautions say what the kit is not."""
    for name in ("README.md", "cautions.md", "yard_checklist.md"):
        assert "no safety function" in " ".join(TEXTS[NOTES / name].replace("**", "").split())


def test_json_of_the_notes_is_json():
    """A pack without its checksum is JSON of its own."""
    for _, _, text in blocks("json"):
        for line in filter(None, text.splitlines()):
            json.loads(re.sub(r" [0-9a-f]{8}$", "", line))
