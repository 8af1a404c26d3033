"""The commands by hand: what they print, and how they refuse."""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import subprocess
import sys
from typing import NamedTuple
from unittest import mock

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from typer.main import get_command

from dashboard.cli import app, main
from tests.made_run import RIG_TOML, TEST_TOML, MadeRun, full_sweep, reduced_sweep


class Done(NamedTuple):
    """What a command left: exit code and both outputs."""

    returncode: int
    stdout: str
    stderr: str


def in_this_process(words):
    """Runs a command without starting a Python for it, which takes seconds."""
    out, err = io.StringIO(), io.StringIO()
    code = 0
    with (
        mock.patch.object(sys, "argv", ["slewtrace", *words]),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        try:
            main()
        except SystemExit as exc:
            code = int(exc.code or 0)
    return Done(code, out.getvalue(), err.getvalue())


def in_its_own_process(words):
    """Runs a command as a person would."""
    done = subprocess.run(
        [sys.executable, "-m", "dashboard", *words],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    return Done(done.returncode, done.stdout, done.stderr)


def slewtrace(*words, code=0, run=in_this_process):
    """Runs a command and checks its exit code."""
    done = run([str(word) for word in words])

    assert done.returncode == code, done.stderr
    assert "Traceback" not in done.stderr
    return done


@pytest.fixture(scope="module")
def yard(tmp_path_factory):
    """A folder with both files and a table of a made test with a lift."""
    folder = tmp_path_factory.mktemp("yard")
    (folder / "rig.toml").write_text(RIG_TOML)
    (folder / "test.toml").write_text(TEST_TOML)
    made = reduced_sweep(MadeRun(), 1, lift_at=74.6, wheel="rear_left", radius_m=3.5, limit=171.6)
    full_sweep(made, -1, limit=167.6)
    made.write_csv(folder / "readings.csv", rates_hz=(50, 50, 20, 200))
    return folder


def files(folder):
    return "--rig", folder / "rig.toml", "--test", folder / "test.toml"


def test_a_table_becomes_a_run_and_the_run_a_result(yard):
    """import, verify, analyze: the result has the design's keys and the truth's numbers."""
    run = yard / "made.parquet"
    told = json.loads(
        slewtrace("import", yard / "readings.csv", *files(yard), "-o", run, "--json").stdout
    )
    slewtrace("verify", run)
    result = json.loads(slewtrace("analyze", run, "--json").stdout)

    assert told["run_id"] == result["run_id"] == "made"
    assert result["format"] == "slewtrace.result/1"
    assert {"run_id", "recording_sha256", "plan", "sweeps", "sectors", "findings"} <= set(result)
    assert {"test_load_kg", "moment_factor", "required_moment_nm", "test_radius_m"} <= set(
        result["plan"]
    )
    right, left = result["sweeps"]
    assert {"side", "start_s", "end_s", "reached_deg", "first_lift", "lifts"} <= set(right)
    assert right["first_lift"]["wheel"] == "rear_left"
    assert right["first_lift"]["slew_deg"] == pytest.approx(74.6, abs=0.15)
    assert left["first_lift"] is None
    assert [(s["to_deg"], s["percent"]) for s in result["sectors"]] == [
        (74, 100), (171, 90), (180, 0), (167, 100), (180, 0),
    ]  # fmt: skip
    text = slewtrace("analyze", run, run=in_its_own_process).stdout
    assert "rear left lifted first at 74." in text
    assert "no safety function" in text


def test_a_run_is_never_overwritten(yard):
    """Importing onto a run that is there is refused and leaves it as it was."""
    run = yard / "kept.parquet"
    slewtrace("import", yard / "readings.csv", *files(yard), "-o", run)
    before = run.read_bytes()
    slewtrace("import", yard / "readings.csv", *files(yard), "-o", run, code=2)

    assert run.read_bytes() == before


def test_a_run_that_proves_nothing_ends_with_exit_code_1(yard):
    """A table without a sweep is read, told, and is no pass."""
    MadeRun().go(20).write_csv(yard / "still.csv", rates_hz=(20, 20, 10, 50))
    run = yard / "still.parquet"
    slewtrace("import", yard / "still.csv", *files(yard), "-o", run)
    result = json.loads(slewtrace("analyze", run, "--json", code=1).stdout)

    assert {s["basis"] for s in result["sectors"]} == {"untested"}


def test_plan_tells_radius_and_guarded_radius(yard):
    """Plan --json has the numbers of the design's example."""
    plan = json.loads(slewtrace("plan", "--test", yard / "test.toml", "--json").stdout)

    assert plan["test_radius_m"] == 3.87
    assert plan["required_moment_nm"] == pytest.approx(53_100)
    assert "Guarded radius" in slewtrace("plan", "--test", yard / "test.toml").stdout


def test_model_without_a_model_says_so(yard):
    """A test file without [model] is refused in one line."""
    assert "[model]" in slewtrace("model", "--test", yard / "test.toml", code=2).stderr


@pytest.fixture(scope="module")
def bad_files(yard):
    """Files that are no runs, tables or TOML."""
    rng = np.random.default_rng(1)
    run = yard / "whole.parquet"
    slewtrace("import", yard / "readings.csv", *files(yard), "-o", run)
    whole = run.read_bytes()
    made = {
        "empty": b"",
        "cut": whole[: len(whole) // 2],
        "binary": rng.bytes(20_000),
        "text": b"t_s,channel,value\n1,slew\n",
        "huge": b"1.0,slew,12\n" * 200_000,
    }
    for name, content in made.items():
        (yard / f"{name}.bad").write_bytes(content)
    return yard


@pytest.mark.parametrize("name", ["empty", "cut", "binary", "text", "huge", "missing"])
@pytest.mark.parametrize("command", ["analyze", "verify", "recover", "import", "plan", "record"])
def test_a_file_that_is_none_is_one_line(bad_files, command, name):
    """Empty, cut, binary, wrong, huge and missing files: one line that names the file."""
    bad, out = bad_files / f"{name}.bad", bad_files / f"out-{command}-{name}"
    words = {
        "import": [bad, *files(bad_files), "-o", out.with_suffix(".parquet")],
        "plan": ["--test", bad],
        "record": ["--rig", bad, "--test", bad_files / "test.toml", "-o", out],
    }.get(command, [bad])
    before = sorted(bad_files.iterdir())
    # A run that was cut short is not as it was sealed, and that is what verify is asked.
    code = 1 if (command, name) == ("verify", "cut") else 2
    done = slewtrace(command, *words, code=code)

    (line,) = done.stderr.strip().splitlines()
    assert line.startswith("slewtrace: ")
    assert f"{name}.bad" in line
    assert done.stdout == ""
    assert sorted(bad_files.iterdir()) == before


def test_a_bad_file_is_one_line_for_the_shell_too(bad_files):
    """The same in a process of its own: one line on standard error, exit code 2."""
    bad = bad_files / "cut.bad"
    done = slewtrace("analyze", bad, code=2, run=in_its_own_process)

    assert len(done.stderr.strip().splitlines()) == 1
    assert done.stdout == ""


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("serve", "no-such-folder"), "no-such-folder"),
        (("demo", "--scenario", "wild"), "steady, one-side, both-sides"),
        (("demo", "--for", "0 s"), "--for"),
        (("demo", "--for", "soon"), "--for"),
    ],
)
def test_a_wrong_option_is_one_line(words, says):
    """An option that won't do is named, with what would."""
    (line,) = slewtrace(*words, code=2).stderr.strip().splitlines()

    assert says in line


def test_import_writes_nothing_that_the_other_commands_do_not_take_for_a_run(yard):
    """A run's name ends in .parquet; another is refused before anything is written."""
    out = yard / "run.csv"
    done = slewtrace("import", yard / "readings.csv", *files(yard), "-o", out, code=2)

    assert ".parquet" in done.stderr
    assert not out.exists()


def test_the_derated_chart_is_written_over_no_run_and_over_no_chart(yard):
    """--chart-csv refuses the run itself and the crane's own chart, and leaves both alone."""
    chart, run = yard / "own.csv", yard / "charted.parquet"
    chart.write_text("boom_length m,radius m,load kg\n6,3,1500\n")
    slewtrace("import", yard / "readings.csv", *files(yard), "-o", run)
    kept = run.read_bytes(), chart.read_bytes()
    for out in (run, chart, yard / "." / "own.csv"):
        slewtrace("analyze", run, "--chart", chart, "--chart-csv", out, code=2)

    assert (run.read_bytes(), chart.read_bytes()) == kept


def test_two_keys_that_do_not_go_together_are_told_without_their_table(yard):
    """The message is the reason, not the table as Python writes it."""
    bad = yard / "two.toml"
    bad.write_text(TEST_TOML.replace("[method]", '[method]\npreset = "85-percent-of-tipping"'))
    line = slewtrace("plan", "--test", bad, code=2).stderr

    assert "two.toml, method: moment_factor and preset" in line
    assert "{" not in line


def test_a_run_that_is_not_as_sealed_is_told_from_what_is_no_run(bad_files):
    """Verify: 1 where a seal does not fit, whatever was done to the file; 2 for another file."""
    whole = (bad_files / "whole.parquet").read_bytes()
    middle = len(whole) // 3
    broken = {
        "header": whole.replace(b"1360 kg", b"1460 kg"),
        "half": whole[: len(whole) // 2],
        "longer": whole + b"more",
        "samples": whole[:middle] + bytes(16) + whole[middle + 16 :],
    }
    for name, content in broken.items():
        assert content != whole
        (bad_files / f"{name}.parquet").write_bytes(content)
        told = slewtrace("verify", bad_files / f"{name}.parquet", "--json", code=1)
        assert json.loads(told.stdout)["as_sealed"] is False
        assert len(told.stderr.strip().splitlines()) == 1
    pq.write_table(pa.table({"a": [1, 2]}), bad_files / "foreign.parquet")
    for name in ("foreign.parquet", "binary.bad", "empty.bad", "missing.bad", "."):
        slewtrace("verify", bad_files / name, code=2)


def told_by(words):
    """A command's help, as wide as it wants to be."""
    with mock.patch.dict(os.environ, {"COLUMNS": "400"}):
        return slewtrace(*words, "--help").stdout


def helps(command, words=()):
    """Every command with its words, and the texts of its help as they are in the code."""
    texts = [t.help.replace("\\[", "[") for t in (command, *command.params) if t.help]
    yield words, " ".join(texts)
    for name, below in getattr(command, "commands", {}).items():
        yield from helps(below, (*words, name))


HELPS = [(words, text) for words, text in helps(get_command(app)) if "[" in text]


@pytest.mark.parametrize(("words", "text"), HELPS, ids=lambda v: " ".join(v)[:12])
def test_no_word_of_a_help_is_taken_for_an_order(words, text):
    """What stands in square brackets names a table of a file; help shows it."""
    shown = told_by(words)
    named = re.findall(r"\[[^\]\s]+\]", text)

    assert named
    for word in named:
        assert shown.count(word) >= named.count(word), word


def test_some_help_has_words_in_brackets():
    """The test above looks at something."""
    assert {words[0] for words, _ in HELPS} >= {"plan", "sheet"}


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("note", "radius", "-3 m"), "'-3 m' is no crane's radius; write it like"),
        (("note", "radius", "-.5 m", "--json"), "'-.5 m' is no crane's radius"),
        (("compare", "a", "b", "--limit", "2"), 'an angle above 0 with its unit, such as "2 deg"'),
        (("compare", "a", "b", "--limit", "0 deg"), "an angle above 0 with its unit"),
    ],
)
def test_a_number_that_will_not_do_is_told_what_would(words, says):
    """One line that names a value of the right kind, and no box about options."""
    (line,) = slewtrace(*words, code=2).stderr.strip().splitlines()

    assert says in line


MODEL = """
[model]
column = ["-0.75 m", "-0.80 m"]
masses = [{ name = "truck", mass = "6900 kg", at = ["1.55 m", "0.02 m"] }]
supports = [
  { name = "front_left", kind = "wheel", at = ["3.2 m", "0.93 m"], stiffness = "650 N/mm" },
  { name = "front_right", kind = "wheel", at = ["3.2 m", "-0.93 m"], stiffness = "650 N/mm" },
  { name = "rear_left", kind = "wheel", at = ["0 m", "0.93 m"], stiffness = "650 N/mm" },
  { name = "rear_right", kind = "wheel", at = ["0 m", "-0.93 m"], stiffness = "650 N/mm" },
]
"""


@pytest.mark.parametrize(
    ("option", "value", "says"),
    [
        ("--radius", "-1 m", "give 0 m to 200 m"),
        ("--radius", "1e9 m", "give 0 m to 200 m"),
        ("--load", "-1 kg", "give 0 kg to 1000000 kg"),
        ("--load", "1e9 kg", "give 0 kg to 1000000 kg"),
    ],
)
def test_a_model_of_no_crane_is_refused(yard, option, value, says):
    """A radius or load that no crane has: the option, and what would do."""
    test = yard / "modelled.toml"
    test.write_text(TEST_TOML + MODEL)
    slewtrace("model", "--test", test, option, "3 m" if option == "--radius" else "900 kg")
    (line,) = slewtrace("model", "--test", test, option, value, code=2).stderr.splitlines()

    assert line.startswith(f"slewtrace: {option}: ")
    assert says in line


def test_runs_can_be_told_apart_in_a_pipe(yard):
    """Nothing is cut where no terminal is; the ids of runs close in time differ at their end."""
    runs = [yard / f"{'a-long-name-' * 4}20260504T09300{n}Z.parquet" for n in (1, 2)]
    for run in runs:
        slewtrace("import", yard / "readings.csv", *files(yard), "-o", run)
    shown = slewtrace("compare", *runs).stdout

    assert "…" not in shown.partition("Sectors, counted")[0]
    for run in runs:
        assert any(run.stem in line for line in shown.splitlines())


def test_a_second_broker_in_one_folder_is_told_what_would_do(yard, tmp_path):
    """The folder is taken, and the hint names what there is: another folder, or --renew."""
    rig = yard / "rig.toml"
    slewtrace("broker", "--rig", rig, "-o", tmp_path / "b")
    (line,) = slewtrace("broker", "--rig", rig, "-o", tmp_path / "b", code=2).stderr.splitlines()

    assert line.endswith("name another folder, or give --renew for a new certificate alone")
