"""The house: what the documents promise, and where the packages lie."""

from __future__ import annotations

import importlib
import re
import subprocess
from pathlib import Path

import pytest

import dashboard
import logger
from dashboard.cli import app
from tests.warm_process import COMMAND, run_warm

ROOT = Path(__file__).parents[1]
COMMANDS = sorted(
    [*(c.name for c in app.registered_commands), *(g.name for g in app.registered_groups)]
)


def test_the_packages_are_those_of_this_project():
    """``logger`` and ``dashboard`` are common names: what is tested is what lies here."""
    assert Path(logger.__file__).is_relative_to(ROOT)
    assert Path(dashboard.__file__).is_relative_to(ROOT)


def test_the_top_level_is_as_agreed():
    """Nothing but the agreed entries at the top level."""
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    if listed.returncode or not listed.stdout:
        pytest.skip("no git checkout")
    top = {line.split("/")[0] for line in listed.stdout.splitlines()}

    assert top <= {
        "README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml",
        "constraints.txt", "logger", "dashboard", "tests", "recordings", "hardware_notes", ".ci",
        ".gitignore",
    }  # fmt: skip


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_is_documented(command):
    """Each command stands in the README's table, and its help has an example."""
    readme = (ROOT / "README.md").read_text()
    words = [*COMMAND, command, "--help"]
    text = run_warm(words, capture_output=True, text=True, check=True).stdout

    assert f"| `slewtrace {command}` |" in readme
    assert f"Example: slewtrace {command}" in re.sub(r"\s+", " ", text)


@pytest.mark.parametrize(
    "path", sorted((ROOT / "tests" / "campaigns").glob("[a-z]*.py")), ids=lambda p: p.stem
)
def test_every_campaign_finds_what_it_needs(path):
    """A long measurement is seldom made: that what it imports is still there is seen here."""
    importlib.import_module(f"tests.campaigns.{path.stem}")


def test_every_linked_file_is_there():
    """No document links to a file that is missing."""
    links = [
        (page.name, target)
        for page in ROOT.glob("*.md")
        for target in re.findall(r"\]\(([^)#]+?)(?:#[^)]*)?\)", page.read_text())
    ]
    missing = [link for link in links if "://" not in link[1] and not (ROOT / link[1]).exists()]

    assert not missing


def test_the_readme_shows_files_that_are_read():
    """The rig and test files that the README prints are accepted as they stand."""
    from logger.readings.rig_file import read_rig
    from logger.readings.test_file import read_test

    blocks = re.findall(r"```toml\n(.*?)```", (ROOT / "README.md").read_text(), re.DOTALL)
    rig, test, outputs, limits = (re.sub(r"^   (?! )", "", b, flags=re.MULTILINE) for b in blocks)

    assert read_rig(rig).rig.id == "bay-2"
    assert read_test(test).load.mass_kg == 1400
    assert read_rig(rig + outputs).alarm.beacon is not None
    assert read_test(test + limits).watch.radius is not None


def test_the_readme_shows_a_line_that_the_decoder_takes():
    """The pack that the README prints is decoded, its CRC checked."""
    from logger.sources.frames import check_crc
    from logger.sources.senml import decode_senml

    (line,) = re.findall(r"```json\n\s*(.*?)\n\s*```", (ROOT / "README.md").read_text(), re.DOTALL)
    pack = decode_senml(check_crc(line.encode()))

    assert pack.names == ("enc", "cell")
    assert (pack.seq, pack.boot, pack.up_ns) == (41, "7f3a", 12_350_000_000)


def test_constraints_hold_versions_and_no_addresses():
    """The pinned versions name packages only."""
    for line in (ROOT / "constraints.txt").read_text().splitlines():
        assert re.fullmatch(r"(#.*|[A-Za-z0-9_.\-]+==[A-Za-z0-9_.!+\-]+)", line), line
