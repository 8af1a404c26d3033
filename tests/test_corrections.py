"""Layers over sealed runs: who, when, why, and a run that stays as it is."""

from __future__ import annotations

import json

import numpy as np
import pytest

from dashboard.results import analyse
from logger.errors import BadInput, RunUnreadable
from logger.readings.calibration_table import NewCalibration
from logger.recording.corrections import (
    add_correction,
    corrections_document,
    sidecar_path,
)
from logger.recording.csv_import import import_csv
from logger.recording.run import open_run
from tests.made_run import RIG_TOML, TEST_TOML, MadeRun, full_sweep
from tests.test_cli import slewtrace

SIGNED = ("--by", "A. Engineer", "--reason", "weights were in lb")


@pytest.fixture(scope="module")
def sealed(tmp_path_factory):
    """A sealed run of a whole sweep, to copy."""
    folder = tmp_path_factory.mktemp("sealed")
    made = full_sweep(MadeRun(), 1, limit=171.6)
    made.write_csv(folder / "readings.csv", rates_hz=(20, 20, 10, 50))
    import_csv(
        folder / "readings.csv",
        rig_text=RIG_TOML,
        test_text=TEST_TOML,
        run=folder / "made.parquet",
        software="test",
    )
    return folder / "made.parquet"


@pytest.fixture
def run(sealed, tmp_path):
    """A copy of the run in a folder of its own, with tables of points."""
    path = tmp_path / "made.parquet"
    path.write_bytes(sealed.read_bytes())
    # The rig file says 0.5 kg a count; the weights say two hundredths less.
    (tmp_path / "weights.csv").write_text(
        "applied,reading\n" + "".join(f"{a},{20 + a / 0.49}\n" for a in (0, 490, 980, 1470))
    )
    (tmp_path / "tape.csv").write_text("tape,reading\n3,3000\n3.5,3501\n4,4001\n")
    (tmp_path / "sighted.csv").write_text("sighted_deg,reading\n0,1014\n90,2038\n-45,502\n")
    return path


def lay(run, quantity, table, *words, code=0):
    """Lays a calibration over the run."""
    return slewtrace(
        "calibrate", quantity, "--points", run.parent / table, "--run", run, *words, code=code
    )


def layer(run, *, channel="load", coefficients=(-9.8, 0.49), **changes):
    """Adds a layer without the command line."""
    return add_correction(
        run,
        open_run(run, corrected=False).header,
        channel=channel,
        calibration=NewCalibration(unit="kg", coefficients=coefficients, u="1 kg"),
        **{"by": "B", "reason": "why", "made_utc": "2026-05-04T09:30:00Z"} | changes,
    )


def test_a_correction_changes_what_is_read_and_not_the_run(run):
    """Calibrated readings and the result follow the layer; the file keeps every bit."""
    before = run.read_bytes()
    as_recorded = open_run(run)
    lay(run, "load", "weights.csv", *SIGNED)
    corrected = open_run(run)
    original = open_run(run, corrected=False)

    assert run.read_bytes() == before
    raw = original.raw("load").value
    assert original.calibrated("load").value == pytest.approx(raw * 0.5 - 10)
    assert corrected.calibrated("load").value == pytest.approx(raw * 0.49 - 9.8)
    assert np.array_equal(original.calibrated("load").value, as_recorded.calibrated("load").value)
    assert corrected.calibrated("radius").value == pytest.approx(
        original.calibrated("radius").value
    )
    assert corrected.header.rig_toml == original.header.rig_toml
    assert corrected.header.sha256 == original.header.sha256
    assert corrected.header.rig.wired("load").calibrated.reference == "points of weights.csv"
    assert original.corrections == ()
    (told,) = corrections_document(corrected.corrections)
    assert (told["by"], told["reason"], told["channel"]) == (SIGNED[1], SIGNED[3], "load")
    corrected.verify()


def test_the_result_follows_the_layer(run):
    """A load that was two hundredths less proves two hundredths less."""
    before = analyse(open_run(run))
    lay(run, "load", "weights.csv", *SIGNED)
    after = analyse(open_run(run))
    load_before, load_after = (r["sweeps"][0]["holds"][0]["load_kg"] for r in (before, after))

    assert load_after == pytest.approx((load_before - 40) * 0.98 + 40, abs=0.5)
    assert (before["sectors"][0]["percent"], after["sectors"][0]["percent"]) == (100, 99)
    assert before["recording_sha256"] == after["recording_sha256"]


def test_slew_and_radius_are_corrected_too(run):
    """Each command lays its own channel; later layers keep the earlier ones."""
    lay(run, "radius", "tape.csv", *SIGNED)
    lay(run, "slew", "sighted.csv", *SIGNED, "--zero-only")
    opened, original = open_run(run), open_run(run, corrected=False)

    assert [c.channel for c in opened.corrections] == ["radius", "slew"]
    assert opened.corrections[1].follows == opened.corrections[0].sha256
    assert opened.calibrated("slew").value - original.calibrated("slew").value == pytest.approx(
        0.88, abs=0.05
    )
    assert opened.header.rig.wired("slew").wraps_at == 4096
    assert opened.header.rig.wired("radius").calibrated.points == 3


def test_the_later_of_two_layers_counts(run):
    """Both stay readable; the last one calibrates."""
    layer(run, coefficients=(0.0, 2.0))
    layer(run, coefficients=(1.0, 3.0, 1e-9))
    opened = open_run(run)

    assert len(opened.corrections) == 2
    assert opened.header.rig.wired("load").polynomial == (1.0, 3.0, 1e-9)
    assert opened.corrections[0].coefficients == (0.0, 2.0)


def test_verify_proves_the_run_and_tells_of_the_layer(run):
    """As sealed, with who and why; a damaged layer is told and is no pass."""
    lay(run, "load", "weights.csv", *SIGNED)
    text = slewtrace("verify", run).stdout
    told = json.loads(slewtrace("verify", run, "--json").stdout)
    side = sidecar_path(run)
    side.write_text(side.read_text().replace("in lb", "in kg"))
    damaged = slewtrace("verify", run, "--json", code=1)

    assert "as sealed" in text
    assert "by A. Engineer" in text
    assert "weights were in lb" in text
    assert told["corrections"][0]["channel"] == "load"
    assert json.loads(damaged.stdout)["as_sealed"] is True
    assert "layer 1 does not have the SHA-256" in damaged.stderr


BROKEN = {
    "cut short": lambda text: text[: len(text) // 2],
    "a newer version": lambda text: text.replace("corrections/1", "corrections/2"),
    "another format": lambda text: text.replace("slewtrace.corrections", "other"),
    "a changed number": lambda text: text.replace("-9.8", "-9.9"),
    "a changed name": lambda text: text.replace('"B"', '"C"'),
    "no layers": lambda text: json.dumps(json.loads(text) | {"layers": []}),
    "the first layer taken out": lambda text: json.dumps(
        json.loads(text) | {"layers": json.loads(text)["layers"][1:]}
    ),
    "layers in another order": lambda text: json.dumps(
        json.loads(text) | {"layers": json.loads(text)["layers"][::-1]}
    ),
    "a list": lambda _: "[1]",
    "nothing": lambda _: "",
}


@pytest.mark.parametrize("how", BROKEN)
def test_a_damaged_sidecar_is_one_line_and_never_passed_over(run, how):
    """The run is not read as if nothing lay on it; as recorded it still opens."""
    layer(run)
    layer(run, coefficients=(-9.8, 0.4901))
    side = sidecar_path(run)
    side.write_text(BROKEN[how](side.read_text()))
    with pytest.raises(RunUnreadable) as told:
        open_run(run)

    assert str(side) in str(told.value)
    assert "\n" not in str(told.value)
    assert open_run(run, corrected=False).corrections == ()
    assert slewtrace("analyze", run, code=2).stderr.count("\n") == 1


def test_layers_of_another_run_are_refused(run, tmp_path):
    """A sidecar copied to a run with other samples is told as that."""
    made = full_sweep(MadeRun(seed=2), 1, limit=60)
    made.write_csv(tmp_path / "other.csv", rates_hz=(5, 5, 5, 5))
    other = tmp_path / "other.parquet"
    import_csv(
        tmp_path / "other.csv", rig_text=RIG_TOML, test_text=TEST_TOML, run=other, software="test"
    )
    layer(run)
    sidecar_path(other).write_bytes(sidecar_path(run).read_bytes())
    with pytest.raises(RunUnreadable, match="belongs to another run"):
        open_run(other)


def test_a_layer_is_signed_and_fits_the_run(run):
    """Without name or reason, for a wheel or a channel that is not there, nothing is written."""
    for changes, told in (
        ({"by": " "}, "--by"),
        ({"reason": ""}, "--reason"),
    ):
        with pytest.raises(BadInput, match=told):
            layer(run, **changes)
    for channel in ("wind", "wheel/rear_left"):
        with pytest.raises(RunUnreadable, match="no channel of this run"):
            layer(run, channel=channel)
    with pytest.raises(RunUnreadable, match="won't do"):
        layer(run, channel="radius")

    assert not sidecar_path(run).exists()


def test_a_disk_that_refuses_keeps_the_layers_that_were_there(run, monkeypatch):
    """What was laid before is read as before."""
    from logger.errors import StorageFailed
    from logger.recording import replacing

    layer(run)
    kept = sidecar_path(run).read_bytes()

    def refuse(_descriptor):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(replacing.os, "fsync", refuse)
    with pytest.raises(StorageFailed, match="No space"):
        layer(run, coefficients=(0.0, 1.0))

    assert sidecar_path(run).read_bytes() == kept
    assert len(open_run(run).corrections) == 1


def test_one_correction_at_a_time(run):
    """While another process corrects the run, the second is asked to come again."""
    from logger.recording.in_use import RunInHand

    held = RunInHand(run)
    try:
        with pytest.raises(BadInput, match="being corrected"):
            layer(run)
    finally:
        held.release()

    assert layer(run).channel == "load"


def test_a_new_run_is_sealed_beside_layers_of_a_lost_one(sealed, run):
    """What lies beside it does not stop a recorder or an import; reading then tells."""
    layer(run)
    run.unlink()
    import_csv(
        sealed.parent / "readings.csv",
        rig_text=RIG_TOML,
        test_text=TEST_TOML,
        run=run,
        software="test, again",
    )

    with pytest.raises(RunUnreadable, match="belongs to another run"):
        open_run(run)


def test_the_dashboard_sees_a_correction_at_once(run):
    """The folder's list opens a run anew when a layer comes to lie on it."""
    from dashboard.run_library import RunLibrary

    library = RunLibrary(run.parent, analyse=lambda opened: {"layers": len(opened.corrections)})
    try:
        before = library.result(library.shelf().runs[0]).result()
        layer(run)
        after = library.result(library.shelf().runs[0]).result()
    finally:
        library.close()

    assert (before, after) == ({"layers": 0}, {"layers": 1})
