"""The test file as a form: nothing is lost, every mistake has its field, text stays text."""

from __future__ import annotations

import difflib
import json
import tomllib
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from dashboard.pages.plan_form import opened_form
from dashboard.pages.planned import whole_plan
from dashboard.test_form.checked import check_form, where_words
from dashboard.test_form.example import EXAMPLE_TOML
from dashboard.test_form.field_words import FIELD_WORDS
from dashboard.test_form.fields import Field, Group, form_fields, words_of
from dashboard.test_form.filled_in import filled_in, values_of
from dashboard.test_form.toml_text import LARGEST_TEXT
from logger.readings.test_file import read_test
from logger.recording.run import open_run
from tests.made_run import TEST_TOML
from tests.test_cli import slewtrace

RECORDINGS = Path(__file__).parents[1] / "recordings"
CHART = "radius m,load kg\n2,2200\n3,1500\n4,1190\n5,900\n"

FULL_TOML = '''\
# what a person wrote above everything
[method]                       # an order of their own
load_factor = 1.250
boom_share = 0.1
basis = """rule 7,
edition 2"""
tape_class = "II"
tape_hook_end = true
rule = "simple"
sectors = 'steps'

[test]
id = "full-1"                  # who
operator = "O'Brien \\"Bob\\" \\\\ ]] = #"
notes = """
first line
second line"""

[truck]
wheels = [
  "front_left",  # the steered axle
  "front_right",
  "rear_left", "rear_right",
]
id = "Truck <b>\\u202E"

[crane]
rated_load = "1 100 kg"
rated_radius = "13 ft"
boom_tip_mass = "200 lb"
chart = "chart.csv"
[crane.geometry]
foot_pin_offset = "-0.4 m"
length = "6 m"
angle_from = "frame"
deflection_by_tape = true

[load]
above_cell = "40 kg"
above_cell_u = "0.5 kg"
# the parts, weighed in May
[[load.parts]]
name = "block"
mass = "1360 kg"
u = "2 kg"
scale = "yard scale"
[[load.parts]]
name = "hook"                  # with its swivel
mass = "40 kg"
certificate = "C 7"

[model]
column = ["-0.6 m", "0 m"]
twist = "12 kN·m/deg"
weighed_at = "0 deg"
scales = { fl = "1900 kg", fr = "1900 kg", rl = "1700 kg", rr = "1700 kg" }
slewing = [{ name = "boom", mass = "620 kg", radius = "1.3 m" }]
supports = [
  { name = "fl", kind = "wheel", at = ["3.6 m", "1 m"], stiffness = "25 N/mm", unsprung = "9 kg" },
  { name = "fr", kind = "wheel", at = ["3.6 m", "-1 m"], stiffness = "250 N/mm" }, # new tyre
  { name = "rl", kind = "wheel", at = ["0 m", "0.95 m"], stiffness = "650 N/mm" },
  { name = "rr", kind = "wheel", at = ["0 m", "-0.95 m"], stiffness = "650 N/mm" },
  { name = "o", kind = "outrigger", at = ["-1 m", "1.2 m"], stiffness = "6 MN/m", preload = "3mm" },
]
[[model.masses]]
name = "ballast"
mass = "100 kg"
at = ["1 m", "0 m"]
on_scales = false
[model.bounds]
stiffness = 1.5
centre = "10 cm"

[watch]
load_over = "50 kg"
wind = { over = "9 m/s", on_delay = "5 s" }
level = { over = "0.6 deg" }

[record]
customer = "none"
# the last remark
'''


def kept(name):
    """The test file in one of the recordings."""
    return open_run(RECORDINGS / f"{name}.parquet").header.test_toml


TEXTS = {
    "example": lambda: EXAMPLE_TOML,
    "full": lambda: FULL_TOML,
    "windows": lambda: FULL_TOML.replace("\n", "\r\n"),
    "made": lambda: TEST_TOML,
    **{name: (lambda n=name: kept(n)) for name in ("lift-right", "lifts-both-sides", "no-lift")},
}


def values(text):
    """What the form shows of a text."""
    return values_of(tomllib.loads(text))


def fields(entries=None):
    """Every field of the form, and every table."""
    for entry in form_fields() if entries is None else entries:
        yield entry
        if isinstance(entry, Group):
            yield from fields(entry.entries)


def test_every_key_of_a_test_file_has_its_field_and_its_words():
    """No key that the models read lacks plain words, and no words speak of a key that is gone."""
    paths = {e.path for e in fields()}

    assert [p for p in sorted(paths) if p not in FIELD_WORDS and "watch/" not in p] == []
    assert [p for p in FIELD_WORDS if "*" not in p and p not in paths] == []
    assert all(words_of(p).label for p in paths)
    required = {e.path for e in fields() if isinstance(e, Field) and e.required}
    assert {"test/id", "truck/id", "truck/wheels", "load/parts/mass"} <= required


@pytest.mark.parametrize("name", TEXTS)
def test_a_form_that_nobody_touched_changes_no_byte(name):
    """Opened and written again, a file is the same to the last byte, remarks and order too."""
    text = TEXTS[name]()
    checked = check_form(values(text), text)

    assert checked.mistakes == ()
    assert checked.toml.text == text
    assert checked.test == read_test(text)


def test_an_edit_changes_its_line_and_no_other():
    """Typing a mass, taking out a part and adding another leave every other line alone."""
    edited = values(FULL_TOML) | {
        "load/parts/1/mass": "41 kg",
        "model/supports/1/stiffness": "260 N/mm",
        "watch/radius/over": "3.97 m",
        "load/parts/2/#": "",
        "load/parts/2/name": "sling",
        "load/parts/2/mass": "12 kg",
        "method/percent_step": "2",
    }
    text = check_form(edited, FULL_TOML).toml.text
    diff = difflib.ndiff(FULL_TOML.splitlines(), text.splitlines())
    changes = [line for line in diff if line[0] in "+-" and line[2:].strip()]

    assert [c for c in changes if c.startswith("-")] == [
        '- mass = "40 kg"',
        next(f"- {x}" for x in FULL_TOML.splitlines() if '"fr", kind' in x),
    ]
    assert {c[2:] for c in changes if c.startswith("+")} == {
        "percent_step = 2",
        'mass = "41 kg"',
        "[[load.parts]]",
        'name = "sling"',
        'mass = "12 kg"',
        next(x.replace("250", "260") for x in FULL_TOML.splitlines() if '"fr", kind' in x),
        'radius = "3.97 m"',
    }
    assert read_test(text).load.mass_kg == 1413


def test_rows_taken_out_take_their_remarks_and_leave_the_others():
    """Without its second part and second support the file keeps the rest as it stood."""
    former = tomllib.loads(FULL_TOML)
    gone = ("load/parts/1/", "model/supports/4/")
    edited = {p: v for p, v in values(FULL_TOML).items() if not p.startswith(gone)}
    text = check_form(edited, FULL_TOML).toml.text
    now = tomllib.loads(text)

    assert now["load"]["parts"] == former["load"]["parts"][:1]
    assert now["model"]["supports"] == former["model"]["supports"][:4]
    assert "with its swivel" not in text
    assert "# new tyre" in text
    assert "# the last remark" in text


TEXT_PATHS = [
    p
    for p in values(FULL_TOML)
    if not p.endswith("/#") and p.split("/")[-1] not in ("load_factor", "boom_share")
]


def at(document, path):
    """What stands at a path of the form; None where it is left out."""
    here = document
    for step in path.split("/"):
        if path.startswith("model/scales/") and step.isdecimal():
            here = list(here.items())[int(step)]
            return here[0 if path.endswith("name") else 1]
        if isinstance(here, list):
            here = here[int(step)] if int(step) < len(here) else None
        elif isinstance(here, dict):
            here = here.get(step)
        elif not (step == "over" and isinstance(here, str)):
            return None
    return here


@settings(max_examples=40)
@given(
    path=st.sampled_from([p for p in TEXT_PATHS if "scales" not in p and "wheels" not in p]),
    text=st.text(st.characters(exclude_categories=["Cs"]), min_size=1)
    | st.sampled_from(
        ['"]\n[evil]\nx = "', "'''", '"""', "\\u0022", "# no remark", "= [{", "\x7f"]
    ),
)
def test_whatever_is_typed_stays_text_and_stays_at_its_field(path, text):
    """Quotes, brackets and line ends typed into a field are that field's text, and nothing else."""
    before = tomllib.loads(FULL_TOML)
    after = tomllib.loads(check_form(values(FULL_TOML) | {path: text}, FULL_TOML).toml.text)
    found = at(after, path)
    former = {**values(FULL_TOML)}
    now = values_of(after)

    assert after.keys() == before.keys()
    if isinstance(found, str):
        assert found.strip() in (
            text.strip(),
            text.replace("\r\n", "\n").replace("\r", "\n").strip(),
        )
    elif found is None:
        assert not text.strip() or path.endswith("/over")
    changed = {p for p in former | now if former.get(p) != now.get(p)}
    assert {p.rsplit("/", 1)[0] for p in changed} <= {path.rsplit("/", 1)[0]}


ODD_KEYS = ["id", "parts", "supports", "scales", "wheels", "geometry", "column", "wind", "?", "a/b"]
toml_values = st.recursive(
    st.text(st.characters(exclude_categories=["Cs"]), max_size=8) | st.booleans(),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(
                [
                    "name",
                    "mass",
                    "at",
                    "parts",
                    "supports",
                    "over",
                    "odd key",
                    "u",
                    "geometry",
                    "id",
                ]
            ),
            inner,
            max_size=4,
        )
    ),
    max_leaves=12,
)


@given(
    document=st.dictionaries(
        st.sampled_from(["test", "truck", "load", "crane", "model", "watch", "method", "stray"]),
        st.dictionaries(
            st.sampled_from(ODD_KEYS),
            toml_values,
            max_size=5,
        )
        | toml_values,
    )
)
@example({"watch": {"id": [], "wind": {}}})
def test_what_a_form_cannot_show_is_not_lost(document):
    """Values of the wrong kind, unknown keys and odd names come through a form untouched."""
    assert filled_in(values_of(document), document).document == document


def test_every_mistake_is_told_at_its_field_in_one_line():
    """A file with many mistakes names each field, in plain words, and what would do."""
    text = """
[test]
id = "a b"
stale_afer = 1
[truck]
id = "t"
wheels = ["a", "b"]
[crane]
rated_moment = 45
reach = "5 kg"
[load]
parts = [{ name = "x", mass = "1450" }, { mass = "3 kg\\n" }]
[model]
column = ["0 m"]
masses = [{ mass = "1 t", at = ["0 m", "0 m"] }]
supports = []
[watch]
wind = { over = "9 m/s", dead_band = "fast" }
"""
    checked = check_form(values(text), text)
    told = {m.path: m.says for m in checked.mistakes}

    assert checked.test is None
    assert set(told) == {
        "test/?stale_afer", "test/id", "crane/rated_moment", "crane/reach", "load/parts/0/mass",
        "load/parts/1/name", "model/column/1", "model/supports", "watch/wind/dead_band",
    }  # fmt: skip
    assert told["load/parts/0/mass"] == "'1450' won't do; no unit in it; write it like '1450 kg'"
    assert "45 kN·m" in told["crane/rated_moment"]
    assert all("\n" not in says for says in told.values())
    assert where_words("load/parts/1/mass") == "Test load, part 2: Mass"


def test_an_unknown_key_goes_when_it_is_let_go_and_not_before():
    """What nobody knows is kept and told; emptied, its line is gone."""
    text = EXAMPLE_TOML.replace("[truck]", "[truck]\ncolour = 'red'")
    shown = values(text)
    without = check_form(shown | {"truck/?colour": ""}, text)

    assert [m.path for m in check_form(shown, text).mistakes] == ["truck/?colour"]
    assert without.mistakes == ()
    assert without.toml.text == EXAMPLE_TOML


def test_a_model_that_is_switched_off_leaves_the_file():
    """The switch of an optional table decides, whatever is typed in it."""
    checked = check_form(values(EXAMPLE_TOML) | {"model/#": ""}, EXAMPLE_TOML)

    assert checked.mistakes == ()
    assert "model" not in checked.document
    assert checked.test is not None
    assert checked.test.model is None


SCATTERED = """# remark
[crane.geometry]
foot_pin_offset = "1 m"
[test]
id = "a"
[crane]
rated_moment = "45 kN·m"
[truck]
id = "t"
"""
ONLY_PARTS = "# remark\n[[load.parts]]\nname = 'a'\n[test]\nid = 'x'\n"


@pytest.mark.parametrize(
    ("text", "gone", "typed"),
    [
        (SCATTERED, "", {"crane/reach": "5 m", "crane/geometry/#": "", "crane/rated_moment": ""}),
        (ONLY_PARTS, "load/parts/0/", {}),
    ],
)
def test_a_file_that_can_not_be_changed_in_place_is_written_anew_and_says_so(text, gone, typed):
    """Where remarks can't be kept, every value is, and whoever saves is told."""
    left = {p: v for p, v in values(text).items() if not gone or not p.startswith(gone)} | typed
    checked = check_form(left, text)

    assert not checked.toml.remarks_kept
    assert tomllib.loads(checked.toml.text) == checked.document
    assert "remark" not in checked.toml.text


@pytest.mark.parametrize("charted", [False, True])
def test_the_plan_is_the_one_that_the_command_line_makes(tmp_path, charted):
    """The form's text, saved and given to the command, gives the same document, to the digit."""
    shown = values(EXAMPLE_TOML) | {"load/parts/0/mass": "3 000 lb"}
    if charted:
        shown["crane/chart"] = "chart.csv"
    text = check_form(shown, EXAMPLE_TOML).toml.text
    (tmp_path / "test.toml").write_text(text)
    (tmp_path / "chart.csv").write_text(CHART)
    told = slewtrace("plan", "--test", tmp_path / "test.toml", "--json").stdout

    assert json.loads(told) == json.loads(json.dumps(whole_plan(text, CHART if charted else "")))


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"text": "[test\n", "name": "x.toml"}, "x.toml: is no valid TOML"),
        ({"text": "#" * (LARGEST_TEXT + 1), "name": "x.toml"}, "far too large"),
        ({"text": EXAMPLE_TOML, "chart": {"name": "c.csv", "text": "a,b\n"}}, "c.csv"),
        ({"text": f"x = {'[' * 9000}"}, "is no valid TOML"),
    ],
)
def test_what_can_not_be_opened_is_refused_in_one_line(given, says):
    """A broken or huge file leaves the form as it is, and says why."""
    refused = opened_form(given)["refused"]

    assert says in refused
    assert "\n" not in refused
