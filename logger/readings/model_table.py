"""``[model]`` of ``test.toml``: the truck as a frame on one-sided springs.

The truck's mass is either listed (``masses``) or weighed (``scales`` under the wheels, or
``axles``); what was weighed becomes one mass, see ``weighed_truck.py``. Where both stand in the
file they must agree.
"""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field, ValidationInfo, field_validator
from pydantic_core import PydanticCustomError

from logger.readings.quantity import Kind, parse_quantity
from logger.readings.toml_file import Angle, Length, Mass, Stiffness, Table
from logger.readings.weighed_truck import Body, Weighing, balanced, contradiction, rest_of


def _read_twist(value: object) -> float:
    if not isinstance(value, str):
        raise ValueError("a quantity is text with its unit, in quotes")  # noqa: TRY004 - pydantic shows ValueErrors
    if not re.search(r"/\s*(deg|°|rad)", value):
        # An angle has no dimension, so a bare moment would pass for one per radian.
        raise ValueError("a moment for each angle of twist; write it like '12 kN·m/deg'")
    return parse_quantity(value, Kind.TWIST)


def _not_zero(value: float) -> float:
    if not value > 0:
        raise ValueError("it must be above zero; leave it out for a rigid frame")
    return value


TwistStiffness = Annotated[float, BeforeValidator(_read_twist), AfterValidator(_not_zero)]


class PointMass(Table):
    """A mass fixed to the truck, at x and y in the vehicle frame."""

    name: str = ""
    mass_kg: Mass = Field(alias="mass", gt=0)
    at_m: tuple[Length, Length] = Field(alias="at")
    on_scales: bool = True
    """Whether it was on the truck when that was weighed."""


class SlewingMass(Table):
    """A mass that turns with the boom, its centre at a radius along the boom."""

    name: str = ""
    mass_kg: Mass = Field(alias="mass", gt=0)
    radius_m: Length = Field(alias="radius")


class Support(Table):
    """A one-sided spring under the frame.

    Attributes:
        unsprung_kg: mass below the spring (tyre, wheel, its share of the axle). It lies at the
            support's place and is no part of ``masses``.
        droop_m: how far the frame rises from the unloaded spring until the suspension pulls at
            the wheel; 0 where the spring itself pulls at once.
    """

    name: str = Field(min_length=1)
    kind: Literal["wheel", "outrigger"]
    at_m: tuple[Length, Length] = Field(alias="at")
    stiffness_npm: Stiffness = Field(alias="stiffness", gt=0)
    preload_m: Length = Field(default=0.0, alias="preload")
    unsprung_kg: Mass = Field(default=0.0, alias="unsprung", ge=0)
    droop_m: Length = Field(default=0.0, alias="droop", ge=0)

    @field_validator("droop_m")
    @classmethod
    def _needs_a_weight(cls, value: float, info: ValidationInfo) -> float:
        if value > 0 and info.data.get("unsprung_kg") == 0:
            raise ValueError("droop says when the wheel's own weight comes off; give unsprung too")
        return value


class AxleScale(Table):
    """What an axle weighed, and where it stands."""

    at_m: Length = Field(alias="at")
    mass_kg: Mass = Field(alias="mass", ge=0)


class FitBounds(Table):
    """How far a fit to measured lifts may go from what ``[model]`` says.

    Attributes:
        centre_m: centre of the fixed masses, either way along and across, m.
        stiffness: from 1/stiffness to stiffness times a given one.
        preload_m: preload of the outriggers, either way, m.
        centre_u_m: standard uncertainty of the given centre, m, where it was weighed.
        stiffness_u: relative standard uncertainty of a given stiffness, where it was measured.
        preload_u_m: standard uncertainty of a given preload, m.
    """

    centre_m: Length = Field(default=0.15, alias="centre", gt=0)
    stiffness: float = Field(default=2.0, gt=1)
    preload_m: Length = Field(default=0.003, alias="preload", gt=0)
    centre_u_m: Length | None = Field(default=None, alias="centre_u", gt=0)
    stiffness_u: float | None = Field(default=None, gt=0)
    preload_u_m: Length | None = Field(default=None, alias="preload_u", gt=0)


class TruckModel(Table):
    """The ``[model]`` table: the truck as a frame on one-sided springs.

    Attributes:
        twist_nmprad: moment that twists the frame by a radian between its rear and its front
            axle, N·m/rad; None for a rigid frame.
        scales_kg: what stood under each wheel when the truck was weighed, kg, by support.
        axles: what each axle weighed, where only that is known.
        centre_y_m: y of the centre of gravity, which axle scales can't tell, m.
        weighed_at_deg: slew angle of the slewing masses on the scales, deg.
        masses: what is fixed to the frame; the weighed truck stands first, where it was weighed.
        bounds: how far a fit to measured lifts may go.
    """

    column_m: tuple[Length, Length] = Field(alias="column")
    slewing: tuple[SlewingMass, ...] = ()
    supports: tuple[Support, ...] = Field(min_length=3)
    twist_nmprad: TwistStiffness | None = Field(default=None, alias="twist")
    centre_y_m: Length | None = Field(default=None, alias="centre_y")
    weighed_at_deg: Angle | None = Field(default=None, alias="weighed_at")
    scales_kg: dict[str, Mass] = Field(default={}, alias="scales")
    axles: tuple[AxleScale, ...] = ()
    bounds: FitBounds = FitBounds()
    masses: tuple[PointMass, ...] = Field(default=(), validate_default=True)
    # Last of all, since its validator looks at all the others.

    @field_validator("supports")
    @classmethod
    def _stand_apart(cls, value: tuple[Support, ...]) -> tuple[Support, ...]:
        if len({s.name for s in value}) < len(value):
            raise ValueError("two supports have one name")
        (x0, y0), (x1, y1) = value[0].at_m, value[1].at_m
        if all(
            abs((x1 - x0) * (s.at_m[1] - y0) - (y1 - y0) * (s.at_m[0] - x0)) < 1e-9 for s in value
        ):
            raise ValueError("the supports lie on one line; the frame would fall over")
        return value

    @field_validator("scales_kg")
    @classmethod
    def _every_wheel(cls, value: dict[str, float], info: ValidationInfo) -> dict[str, float]:
        supports: tuple[Support, ...] | None = info.data.get("supports")
        if not value or supports is None:
            return value
        places = {s.name: s.at_m for s in supports}
        if strange := [name for name in value if name not in places]:
            raise ValueError(f"no support is called {strange[0]!r}; known: {', '.join(places)}")
        if missing := [s.name for s in supports if s.kind == "wheel" and s.name not in value]:
            raise ValueError(f"{missing[0]!r} is missing; write what stood under every wheel")
        if min(value.values()) < 0:
            raise ValueError("a scale does not read below zero")
        if info.data.get("centre_y_m") is not None:
            raise ValueError("wheel scales find y themselves; leave centre_y out")
        _weighed(info, [Body(mass_kg=kg, at_m=places[name]) for name, kg in value.items()])
        return value

    @field_validator("axles")
    @classmethod
    def _two_axles(
        cls, value: tuple[AxleScale, ...], info: ValidationInfo
    ) -> tuple[AxleScale, ...]:
        if not value:
            return value
        y = info.data.get("centre_y_m")
        if info.data.get("scales_kg"):
            raise ValueError("scales under the wheels say more; leave axles out")
        if len({a.at_m for a in value}) < 2:
            raise ValueError("two axles at least, at different places")
        if y is None:
            raise ValueError(
                "axle scales can't tell left from right; add centre_y, "
                "the y of the truck's centre of gravity, such as '0 m'"
            )
        _weighed(info, [Body(mass_kg=a.mass_kg, at_m=(a.at_m, y)) for a in value])
        return value

    @field_validator("masses")
    @classmethod
    def _with_the_weighed(
        cls, value: tuple[PointMass, ...], info: ValidationInfo
    ) -> tuple[PointMass, ...]:
        data = info.data
        if len(data) < len(cls.model_fields) - 1:
            return value  # what is wrong is told already
        place = {s.name: s.at_m for s in data["supports"]}
        on_scales = [Body(mass_kg=kg, at_m=place[name]) for name, kg in data["scales_kg"].items()]
        on_scales += [
            Body(mass_kg=a.mass_kg, at_m=(a.at_m, data["centre_y_m"])) for a in data["axles"]
        ]
        if not on_scales:
            if not value:
                raise PydanticCustomError("missing", "masses, or scales that weighed the truck")
            if (data["weighed_at_deg"], data["centre_y_m"]) != (None, None):
                raise ValueError("weighed_at and centre_y belong to scales or axles; none are here")
            return value
        rest = _weighed(info, on_scales)
        listed = balanced([Body(mass_kg=m.mass_kg, at_m=m.at_m) for m in value if m.on_scales])
        if listed is not None:
            if words := contradiction(listed, rest):
                raise ValueError(words)
            return value
        truck = PointMass.model_construct(
            name="truck as weighed", mass_kg=rest.mass_kg, at_m=rest.at_m, on_scales=True
        )
        return (truck, *value)


def _weighed(info: ValidationInfo, on_scales: list[Body]) -> Body:
    """What the scales carried besides the slewing and the unsprung masses."""
    data = info.data
    slew_deg = data.get("weighed_at_deg")
    if data.get("slewing") and slew_deg is None:
        raise ValueError("the boom stood somewhere when they were read; add weighed_at")
    return rest_of(
        Weighing(
            on_scales=tuple(on_scales),
            slewing=tuple((m.mass_kg, m.radius_m) for m in data.get("slewing", ())),
            column_m=data.get("column_m", (0.0, 0.0)),
            slew_deg=slew_deg or 0.0,
            unsprung=tuple(
                Body(mass_kg=s.unsprung_kg, at_m=s.at_m) for s in data.get("supports", ())
            ),
        )
    )
