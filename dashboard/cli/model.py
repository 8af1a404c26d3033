"""``slewtrace model``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from dashboard.capacity.planning.plan import make_plan
from dashboard.cli.model_text import model_text
from logger.cli.options import (
    JsonOption,
    TestOption,
    check_svg,
    read_option,
    read_test_file,
    write_text,
)
from logger.errors import BadInput
from logger.readings.quantity import Kind

LONGEST_RADIUS_M = 200.0
LARGEST_LOAD_KG = 1_000_000.0


def model_command(
    test: TestOption,
    radius: Annotated[
        str | None, typer.Option("--radius", help='Test radius, "3.9 m"; planned by default.')
    ] = None,
    load: Annotated[
        str | None, typer.Option("--load", help='Test load, "1400 kg"; the parts by default.')
    ] = None,
    *,
    step: Annotated[float, typer.Option("--step", help="Slew step, deg.", min=0.01, max=90)] = 1.0,
    fit: Annotated[
        list[Path] | None,
        typer.Option(
            "--fit", help="Fit the truck to the lifts of this sealed run; may be repeated."
        ),
    ] = None,
    figure: Annotated[
        Path | None,
        typer.Option("--figure", help="Write reactions and tipping loads to this SVG file."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Reactions, first wheel lift and tipping load by the truck model of the test file.

    With --fit the truck's centre of gravity and springs are fitted to the lifts of a run: what they
    tell and what they can't, capacity all the way round, and remedies.

    Example: slewtrace model --test test.toml --radius "3.9 m"
    """
    from dashboard.capacity.truck.truck_model import model_result  # noqa: PLC0415 - pulls in numpy

    if figure is not None:
        check_svg(figure, option="--figure")
    test_file, _ = read_test_file(test)
    plan = make_plan(test_file)
    radius_m = plan.guarded_radius_m if radius is None else _radius_m(radius)
    load_kg = plan.test_load_kg if load is None else _load_kg(load)
    try:
        document = model_result(test_file, radius_m=radius_m, load_kg=load_kg, step_deg=step)
    except ValueError as exc:
        raise BadInput(where=str(test), what=str(exc)) from exc
    text = model_text(document)
    if fit:
        from dashboard.cli.fit_text import fit_text  # noqa: PLC0415 - only for a fit
        from dashboard.fitting import fit_to_runs  # noqa: PLC0415 - pulls in scipy

        fitted = fit_to_runs(test_file, fit, load_kg=load_kg, radius_m=radius_m)
        document["fit"] = fitted.document()
        text = fit_text(
            fitted.fit, curve=fitted.curve, predicted=fitted.predicted, remedies=fitted.remedies
        )
    if figure is not None:
        from dashboard.figures.model_svg import model_svg  # noqa: PLC0415 - only for a figure

        title = f"Truck model: {test_file.truck.id}, test {test_file.test.id}"
        write_text(figure, model_svg(document, title=title), option="--figure")
    typer.echo(json.dumps(document, ensure_ascii=False) if as_json else text)


def _radius_m(text: str) -> float:
    return _given(text, Kind.LENGTH, "--radius", most=LONGEST_RADIUS_M, such_as="3.9 m")


def _load_kg(text: str) -> float:
    return _given(text, Kind.MASS, "--load", most=LARGEST_LOAD_KG, such_as="1400 kg")


def _given(text: str, kind: Kind, option: str, *, most: float, such_as: str) -> float:
    """A quantity from 0 to the most that any crane has, SI."""
    value = read_option(text, kind, option=option)
    if not 0 <= value <= most:
        _, unit = such_as.split()
        raise BadInput(
            where=option,
            what=f"{text!r} won't do",
            would_do=f'give 0 {unit} to {most:.0f} {unit}, such as "{such_as}"',
        )
    return value
