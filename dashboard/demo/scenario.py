"""The invented truck of the demo and the three tests it goes through.

"Demo truck A" carries a small crane just behind its rear axle, a little to the right of the
middle. Ballast on its platform decides how much of the way round it keeps all wheels down with
the full test moment: with much of it no wheel lifts, with some of it the right sweep lifts one,
with none both sweeps do. Truck, crane, people and numbers are made up.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from dashboard.capacity.truck.truck_model import Side, first_lift
from dashboard.demo.swing import ROPE_M
from logger.readings.model_table import TruckModel
from logger.readings.quantity import STANDARD_GRAVITY_MPS2
from logger.readings.test_file import TestFile, read_test

ENCODER_COUNTS = 4096
ENCODER_ZERO = 1000
"""Count over the rear; the left sweep therefore runs through the encoder's wrap."""
CELL_STEP_KG = 0.05
CELL_ZERO_COUNTS = 250
RADIUS_STEP_M = 0.001
RADIUS_ZERO_MM = 250
BAUD = 115_200
RATED_MOMENT_NM = 45_000.0
STALL_S = 2.0
"""A busy machine may stand still for so long without a sensor being at fault, s of its time."""
TOPIC = "rig/demo-bay/wheels"
WHEELS = ("front_left", "front_right", "rear_left", "rear_right")
SIDES: tuple[Side, Side] = ("right", "left")


@dataclass(frozen=True, slots=True, kw_only=True)
class Rates:
    """Samples a second of each sensor; a wheel's rate holds for each of the four."""

    slew_hz: float = 50.0
    load_hz: float = 50.0
    radius_hz: float = 20.0
    wheel_hz: float = 200.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """One test of the invented truck.

    Attributes:
        name: what a person types.
        title: what happens, in words.
        ballast_kg: ballast on the platform, kg; 0 for none.
        ballast_at_m: where it lies, in the vehicle frame, m.
        radius_m: radius that the operator starts each sweep at, load hanging, m.
        step_m: how much the operator brings the load in after a lift, m.
        slew_speed_dps: slew rate of a sweep, deg/s.
        rest_s: how long the load rests at the start, s.
    """

    name: str
    title: str
    ballast_kg: float = 0.0
    ballast_at_m: tuple[float, float] = (0.0, 0.0)
    radius_m: float = 3.92
    step_m: float = 0.35
    slew_speed_dps: float = 1.3
    rest_s: float = 5.0


SCENARIOS: Mapping[str, Scenario] = MappingProxyType(
    {
        s.name: s
        for s in (
            Scenario(
                name="steady",
                title="no wheel lifts on either side",
                ballast_kg=1200,
                ballast_at_m=(0.8, 0.2),
            ),
            Scenario(
                name="one-side",
                title="a wheel lifts on the right sweep, none on the left",
                ballast_kg=400,
                ballast_at_m=(0.8, -0.2),
                step_m=0.5,
            ),
            Scenario(
                name="both-sides",
                title="wheels lift on both sweeps; the right one needs two reductions",
            ),
        )
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wiring:
    """Where the simulated sensors are reached, for the rig file.

    Attributes:
        port: serial port of the mast node.
        url: broker of the wheels node.
        stale_after_s: age at which a reading counts as stale, s on the run's clock.
        comment: why that age, for the rig file; empty for none.
    """

    port: str = "/dev/serial/by-id/demo-mast"
    url: str = "mqtt://127.0.0.1:1883"
    stale_after_s: float = 0.5
    comment: str = field(default="", repr=False)

    @classmethod
    def accelerated(cls, *, port: str, url: str, speed: float) -> Wiring:
        """The wiring of a demo whose clock runs ``speed`` times faster than the wall's."""
        return cls(
            port=port,
            url=url,
            stale_after_s=max(0.5, STALL_S * speed),
            comment=(
                f"# stale_after is {STALL_S:g} s of this machine's time: "
                f"the demo's clock runs {speed:g} times faster,\n"
                "# and a busy machine must not look like a dead switch. "
                'On a truck write "0.5 s".\n'
            ),
        )


def demo_rig_toml(wiring: Wiring | None = None) -> str:
    """The rig file of the demo: a mast node on a serial line, a wheels node behind a broker."""
    wiring = wiring or Wiring()
    stale = f"{wiring.stale_after_s:g} s"
    scale = 360 / ENCODER_COUNTS
    wheels = "\n".join(
        f'[[channel]]\nid = "wheel/{wheel}"\nsource = "wheels"\nname = "{wheel}"\n'
        f"closed_when = true            # the raw value with the tyre on the ground\n"
        f'stale_after = "{stale}"\n'
        for wheel in WHEELS
    )
    return f"""# A simulated rig: no such truck exists.
{wiring.comment}[rig]
id = "demo-bay"

[[source]]
id = "mast"
kind = "serial"
port = "{wiring.port}"
baud = {BAUD}
decode = "senml"

[[source]]
id = "wheels"
kind = "mqtt"
url = "{wiring.url}"
topic = "{TOPIC}"
decode = "senml"

[[channel]]
id = "slew"
source = "mast"
name = "enc"
unit = "deg"
scale = {scale!r}
offset = {-ENCODER_ZERO * scale!r}
wraps_at = {ENCODER_COUNTS}
stale_after = "{stale}"
u = "0.1 deg"

[[channel]]
id = "load"
source = "mast"
name = "cell"
unit = "kg"
scale = {CELL_STEP_KG!r}
offset = {-CELL_ZERO_COUNTS * CELL_STEP_KG!r}
stale_after = "{stale}"
u = "1 kg"

[[channel]]
id = "radius"
source = "mast"
name = "rad"
unit = "mm"
scale = {RADIUS_STEP_M * 1000!r}
offset = {RADIUS_ZERO_MM!r}
stale_after = "{stale}"
u = "3 mm"

{wheels}"""


def demo_chart_csv() -> str:
    """The invented crane's load chart: its rated moment over the radius, rounded down to 5 kg."""
    lines = ["boom_length m,radius m,load kg"]
    for tenths in range(21, 58, 3):
        radius_m = tenths / 10
        load_kg = RATED_MOMENT_NM / (STANDARD_GRAVITY_MPS2 * radius_m)
        lines.append(f"6,{radius_m:g},{5 * int(load_kg // 5)}")
    return "\n".join(lines) + "\n"


def demo_test_toml(scenario: Scenario) -> str:
    """The test file of a scenario, with the model that the simulation itself obeys."""
    x, y = scenario.ballast_at_m
    ballast = (
        f'  {{ name = "ballast", mass = "{scenario.ballast_kg:g} kg", '
        f'at = ["{x:g} m", "{y:g} m"] }},\n'
        if scenario.ballast_kg
        else ""
    )
    return f"""# A simulated test: no such truck exists.
[test]
id = "demo-{scenario.name}"
operator = "Operator of the demo"
engineer = "Engineer of the demo"
site = "Demo bay"
notes = "Simulated: {scenario.title}."

[truck]
id = "Demo truck A"
wheels = ["front_left", "front_right", "rear_left", "rear_right"]
slew_limit_right = "172 deg"
slew_limit_left = "168 deg"

[crane]
id = "Demo crane"
rated_moment = "{RATED_MOMENT_NM / 1000:g} kN·m"
chart = "demo-chart.csv"
rope_length = "{ROPE_M} m"

[load]
parts = [
  {{ name = "block", mass = "1360 kg", u = "2 kg" }},
  {{ name = "hook block", mass = "40 kg", u = "0.5 kg" }},
]
above_cell = "40 kg"

[method]
moment_factor = 1.18
basis = "the demo's own choice; on a truck name the rule or manual it comes from"

[model]
column = ["-0.6 m", "-0.3 m"]
masses = [
  {{ name = "truck and body", mass = "6300 kg", at = ["2.62 m", "0.08 m"] }},
  {{ name = "crane column", mass = "480 kg", at = ["-0.6 m", "-0.3 m"] }},
{ballast}]
slewing = [{{ name = "boom", mass = "620 kg", radius = "1.3 m" }}]
supports = [
  {{ name = "front_left", kind = "wheel", at = ["3.6 m", "1.0 m"], stiffness = "250 N/mm" }},
  {{ name = "front_right", kind = "wheel", at = ["3.6 m", "-1.0 m"], stiffness = "250 N/mm" }},
  {{ name = "rear_left", kind = "wheel", at = ["0 m", "0.95 m"], stiffness = "650 N/mm" }},
  {{ name = "rear_right", kind = "wheel", at = ["0 m", "-0.95 m"], stiffness = "650 N/mm" }},
]
"""


def read_scenario_test(scenario: Scenario) -> tuple[TestFile, TruckModel]:
    """The scenario's test file, read, and its model."""
    test = read_test(demo_test_toml(scenario), name=f"test.toml of {scenario.name}")
    if test.model is None:
        raise ValueError("a scenario needs a [model]")
    return test, test.model


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedLift:
    """A lift that the model foresees for a load at rest.

    Attributes:
        side: ``right`` or ``left``.
        wheel: which wheel.
        slew_deg: slew angle, deg (negative on the left).
        radius_m: radius that the load hangs at then, m.
    """

    side: Side
    wheel: str
    slew_deg: float
    radius_m: float


def expected_lifts(scenario: Scenario) -> tuple[ExpectedLift, ...]:
    """The lifts that the model foresees when the load comes in by a step after each."""
    test, model = read_scenario_test(scenario)
    limits = {"right": test.truck.slew_limit_right_deg, "left": test.truck.slew_limit_left_deg}
    lifts: list[ExpectedLift] = []
    for side in SIDES:
        radius = scenario.radius_m
        while lift := first_lift(model, side, test.load.mass_kg, radius):
            if abs(lift[1]) > limits[side]:
                break
            lifts.append(ExpectedLift(side=side, wheel=lift[0], slew_deg=lift[1], radius_m=radius))
            radius -= scenario.step_m
    return tuple(lifts)
