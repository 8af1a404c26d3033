"""``slewtrace plan``."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Any

import typer

from dashboard.capacity.plan import Plan, make_plan, plan_table
from logger.cli.options import JsonOption, TestOption, read_test_file


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
    rows = [
        {"test_load_kg": load, "test_radius_m": radius, "guarded_radius_m": guarded}
        for load, radius, guarded in table
    ]
    return {"format": "slewtrace.plan/1", **asdict(plan), "table": rows}
