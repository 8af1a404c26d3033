"""The commands on runs that are there already: recover, verify, import."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any

import typer

from logger.cli.chart_file import chart_text_of
from logger.cli.options import JsonOption, RigOption, TestOption, read_rig_file, read_test_file
from logger.errors import BadInput, RunUnreadable
from logger.software import software_name

RUN_SUFFIX = ".parquet"


def recover_command(
    journal: Annotated[Path, typer.Argument(help="The .journal file of a killed recorder.")],
    *,
    as_json: JsonOption = False,
) -> None:
    """Seal what a killed recorder left. Run again it changes nothing.

    Example: slewtrace recover runs/demo-a-1-20260504T093000Z.journal
    """
    from logger.recording.sealing import recover  # noqa: PLC0415 - pulls in pyarrow

    done = recover(journal)
    if as_json:
        document = {
            "path": str(done.path),
            "run_id": done.run_id,
            "samples": done.samples,
            "already_sealed": done.already_sealed,
            "damage": done.damage,
        }
        typer.echo(json.dumps(document, ensure_ascii=False))
        return
    state = "was sealed already" if done.already_sealed else "sealed"
    typer.echo(f"{done.path}: {state}, {done.samples} samples")
    if done.damage:
        typer.echo(f"{journal}: damaged, kept up to there: {done.damage}", err=True)


def verify_command(
    run: Annotated[Path, typer.Argument(help="A sealed run (.parquet).")],
    *,
    as_json: JsonOption = False,
) -> None:
    """Prove that a sealed run is as it was sealed, bit for bit; exit code 1 where it is not.

    That holds for a run that was cut short, too. What is no run at all is bad input, exit code 2.

    Corrections that lie beside it are checked too, and told.

    Example: slewtrace verify runs/demo-a-1-20260504T093000Z.parquet
    """
    from logger.recording.run import open_run  # noqa: PLC0415 - pulls in pyarrow

    opened = None
    try:
        opened = open_run(run, corrected=False)
        opened.verify()
    except RunUnreadable as exc:
        if opened is None and not _was_sealed(run, exc):
            raise
        if as_json:
            typer.echo(json.dumps({"path": str(run), "as_sealed": False, "why": str(exc)}))
        typer.echo(f"slewtrace: {exc}", err=True)
        raise typer.Exit(1) from exc
    samples = opened.sample_count
    layers, damage = _layers_on(run)
    if as_json:
        document = {
            "path": str(run),
            "as_sealed": True,
            "run_id": opened.header.run_id,
            "samples": samples,
            "sha256": opened.header.sha256,
            "corrections": layers,
            "corrections_damage": damage,
        }
        typer.echo(json.dumps(document, ensure_ascii=False))
    else:
        typer.echo(f"{run}: as sealed, {samples} samples, SHA-256 {opened.header.sha256}")
        for layer in layers:
            typer.echo(
                f"  a later calibration of {layer['channel']} lies on it, by {layer['by']}, "
                f"{layer['made_utc']}: {layer['reason']}"
            )
    if damage:
        typer.echo(f"slewtrace: {damage}", err=True)
        raise typer.Exit(1)


def _was_sealed(run: Path, why: RunUnreadable) -> bool:
    """Whether a file that can't be opened was a sealed run, whose seal is broken now."""
    from logger.recording.file_seal import SealBroken, bears_a_seal  # noqa: PLC0415 - as above

    return isinstance(why.__cause__, SealBroken) and bears_a_seal(run)


def _layers_on(run: Path) -> tuple[list[dict[str, Any]], str]:
    """Corrections that lie on a run, and why they can't be used; empty where they can."""
    from logger.recording.corrections import corrections_document  # noqa: PLC0415 - as above
    from logger.recording.run import open_run  # noqa: PLC0415

    try:
        return corrections_document(open_run(run).corrections), ""
    except RunUnreadable as exc:
        return [], str(exc)


def import_command(
    table: Annotated[Path, typer.Argument(help="CSV with the columns t_s,channel,value.")],
    rig: RigOption,
    test: TestOption,
    out: Annotated[Path, typer.Option("-o", "--out", help="The run to write (.parquet).")],
    start_utc: Annotated[
        str | None, typer.Option("--start-utc", help="UTC at t_s = 0, 2026-05-04T09:30:00Z.")
    ] = None,
    *,
    as_json: JsonOption = False,
) -> None:
    """Turn a table of raw readings into a sealed run.

    Example: slewtrace import readings.csv --rig rig.toml --test test.toml -o runs/a.parquet
    """
    from logger.recording.csv_import import import_csv  # noqa: PLC0415 - pulls in pyarrow

    if out.suffix != RUN_SUFFIX:
        raise BadInput(
            where="--out",
            what=f"{str(out)!r} won't do",
            would_do=f"a name that ends in {RUN_SUFFIX}; nothing else is taken for a run",
        )
    _, rig_toml = read_rig_file(rig)
    test_file, test_toml = read_test_file(test)
    header = import_csv(
        table,
        rig_text=rig_toml,
        test_text=test_toml,
        run=out,
        software=software_name(),
        rig_name=str(rig),
        test_name=str(test),
        started_utc=start_utc,
        load_chart_csv=chart_text_of(test_file, test),
    )
    samples = sum(header.samples.values())
    if as_json:
        document = {"path": str(out), "run_id": header.run_id, "samples": samples}
        typer.echo(json.dumps(document, ensure_ascii=False))
        return
    typer.echo(f"{out}: sealed, {samples} samples of {len(header.samples)} channels")
