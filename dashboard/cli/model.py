"""``slewtrace model``."""

from __future__ import annotations

import json
from typing import Annotated

import typer

from dashboard.capacity.plan import make_plan
from logger.cli.options import JsonOption, TestOption, read_option, read_test_file
from logger.errors import BadInput
from logger.readings.quantity import Kind


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
