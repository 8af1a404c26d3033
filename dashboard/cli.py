"""The console command ``slewtrace``: all commands, and one line for every mistake."""

from __future__ import annotations

import json
import os
import sys
import tempfile
from pathlib import Path
from typing import Annotated, Any

import typer

from dashboard.capacity.plan import Plan, make_plan, plan_table
from dashboard.capacity.result import proves_something
from logger.cli import add_commands
from logger.cli.options import JsonOption, TestOption, read_option, read_test_file
from logger.errors import BadInput, SlewtraceError
from logger.readings.quantity import Kind
from logger.software import software_name

app = typer.Typer(
    name="slewtrace",
    help="From wires to capacity sectors: the stability test of a truck-mounted crane. "
    "An advisory instrument: no safety function. It replaces neither the competent person, "
    "the maker's manual nor the local code.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
add_commands(app)

PortOption = Annotated[
    int | None, typer.Option("--port", min=0, max=65535, help="Port; the usual one by default.")
]


def main() -> None:
    """Runs the command line; a person's mistake is one line and exit code 2."""
    try:
        app()
    except SlewtraceError as exc:
        typer.echo(f"slewtrace: {exc}", err=True)
        raise SystemExit(2) from exc
    except KeyboardInterrupt:
        raise SystemExit(130) from None
    except BrokenPipeError:
        # The reader of a pipe (head, a pager) has gone; that is no one's mistake.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


@app.callback(invoke_without_command=True)
def _top(
    *, version: Annotated[bool, typer.Option("--version", help="Show the version.")] = False
) -> None:
    if version:
        typer.echo(software_name())
        raise typer.Exit


@app.command("plan")
def plan_command(test: TestOption, *, as_json: JsonOption = False) -> None:
    """Work out the radius at which the test load proves the required moment.

    Example: slewtrace plan --test test.toml
    """
    test_file, _ = read_test_file(test)
    plan = make_plan(test_file)
    table = plan_table(test_file)
    if as_json:
        typer.echo(json.dumps(_plan_document(plan, table), ensure_ascii=False, indent=2))
        return
    typer.echo(f"Test load         {plan.test_load_kg:10.1f} kg  (all below the boom tip)")
    typer.echo(f"Required moment   {plan.required_moment_nm / 1000:10.2f} kN·m", nl=False)
    typer.echo(f"  ({plan.moment_factor:g} × rated moment)")
    typer.echo(f"Test radius       {plan.test_radius_m:10.2f} m   (rounded up to the tape step)")
    typer.echo(f"Guarded radius    {plan.guarded_radius_m:10.2f} m   (use this one: it proves the")
    typer.echo("                                moment also after its uncertainty is taken off)")
    typer.echo("\nOther loads\n    load kg   radius m   guarded m")
    for load_kg, radius_m, guarded_m in table:
        typer.echo(f"{load_kg:11.1f}{radius_m:11.2f}{guarded_m:12.2f}")


def _plan_document(plan: Plan, table: list[tuple[float, float, float]]) -> dict[str, Any]:
    from dataclasses import asdict  # noqa: PLC0415 - only here

    rows = [
        {"test_load_kg": load, "test_radius_m": radius, "guarded_radius_m": guarded}
        for load, radius, guarded in table
    ]
    return {"format": "slewtrace.plan/1", **asdict(plan), "table": rows}


@app.command("model")
def model_command(
    test: TestOption,
    radius: Annotated[
        str | None, typer.Option("--radius", help='Test radius, "3.9 m"; planned by default.')
    ] = None,
    load: Annotated[
        str | None, typer.Option("--load", help='Test load, "1400 kg"; the parts by default.')
    ] = None,
    step: Annotated[float, typer.Option("--step", help="Slew step, deg.", min=0.01, max=90)] = 1.0,
    *,
    as_json: JsonOption = False,
) -> None:
    """Reactions, first wheel lift and tipping load by the truck model of the test file.

    Example: slewtrace model --test test.toml --radius "3.9 m"
    """
    from dashboard.capacity.truck_model import model_result  # noqa: PLC0415 - pulls in scipy

    test_file, _ = read_test_file(test)
    plan = make_plan(test_file)
    radius_m = (
        plan.guarded_radius_m
        if radius is None
        else read_option(radius, Kind.LENGTH, option="--radius")
    )
    load_kg = plan.test_load_kg if load is None else read_option(load, Kind.MASS, option="--load")
    try:
        document = model_result(test_file, radius_m=radius_m, load_kg=load_kg, step_deg=step)
    except ValueError as exc:
        raise BadInput(where=str(test), what=str(exc)) from exc
    if as_json:
        typer.echo(json.dumps(document, ensure_ascii=False))
        return
    typer.echo(f"Test load {load_kg:g} kg at {radius_m:g} m")
    for side, lift in document["first_lift"].items():
        if lift is None:
            typer.echo(f"{side:6} no wheel lifts")
        else:
            typer.echo(f"{side:6} {lift['wheel']} lifts first, at {lift['slew_deg']:.1f}°")
    typer.echo("First lift is not tipping: it comes well before.")


@app.command("analyze")
def analyze_command(
    run: Annotated[Path, typer.Argument(help="A sealed run (.parquet).")],
    *,
    as_json: JsonOption = False,
) -> None:
    """Find lifts, holds and radius changes in a run and compute its capacity sectors.

    Exit code 1 where the run proves nothing at all.

    Example: slewtrace analyze recordings/both-sides.parquet
    """
    from dashboard.results import analyse  # noqa: PLC0415 - pulls in pyarrow
    from logger.recording.run import open_run  # noqa: PLC0415

    result = analyse(open_run(run))
    if as_json:
        typer.echo(json.dumps(result, ensure_ascii=False, indent=2))
    else:
        from dashboard.result_text import result_text  # noqa: PLC0415

        typer.echo(result_text(result))
    if not proves_something(result):
        raise typer.Exit(1)


@app.command("serve")
def serve_command(
    folder: Annotated[Path, typer.Argument(help="Folder of runs.")],
    port: PortOption = None,
    *,
    no_open: Annotated[bool, typer.Option("--no-open", help="Open no browser.")] = False,
) -> None:
    """Show the runs of a folder in the browser, on this machine only.

    Example: slewtrace serve runs
    """
    from dashboard.serving import serve  # noqa: PLC0415 - pulls in Dash

    if not folder.is_dir():
        raise BadInput(where=str(folder), what="there is no such folder", would_do="name one")
    serve(folder, port=port, open_browser=not no_open)


@app.command("demo")
def demo_command(
    for_: Annotated[
        str | None, typer.Option("--for", help='Most wall time for the test, such as "20 s".')
    ] = None,
    out: Annotated[
        Path | None, typer.Option("-o", "--out", help="Folder for the run; a new one by default.")
    ] = None,
    scenario: Annotated[
        str, typer.Option("--scenario", help="steady, one-side or both-sides.")
    ] = "both-sides",
    port: PortOption = None,
    *,
    no_open: Annotated[
        bool, typer.Option("--no-open", help="End after the result; open no dashboard.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Test a simulated truck through a real serial line and a real broker.

    Recorded by the ordinary recorder, analysed, and opened in the dashboard.

    Example: slewtrace demo
    """
    from dashboard.demo.show import show_demo  # noqa: PLC0415 - pulls in everything

    for_s = None if for_ is None else read_option(for_, Kind.TIME, option="--for")
    folder = Path(tempfile.mkdtemp(prefix="slewtrace-demo-")) if out is None else out
    run = show_demo(folder, scenario=scenario, for_s=for_s)
    analyze_command(run, as_json=as_json)
    if not no_open:
        serve_command(folder, port=port, no_open=False)
