"""``[method]`` of ``test.toml``: how the test is judged, stated before it begins.

The required moment is stated in one of three ways: ``moment_factor``, k of the rated moment;
``preset``, a rule by name; or ``load_factor`` and ``boom_share``, the form a · P + b · F. A preset
is written out on reading, so that whoever reads the table later sees one way only.
"""

from __future__ import annotations

import difflib
from typing import Any, Literal

from pydantic import Field, model_validator

from logger.readings.method_presets import PRESETS, UNIT_PROOF_LOAD, Preset
from logger.readings.toml_file import Angle, Length, SlewRate, Table

_WAYS = ("moment_factor", "preset", "load_factor")


class Method(Table):
    """The ``[method]`` table: factor, basis and how results are rounded."""

    moment_factor: float = Field(default=1.18, ge=1, le=3)
    """k. In a test file that was read, also where another way was chosen: what that comes to."""
    preset: str | None = None
    load_factor: float | None = Field(default=None, ge=1, le=3)
    """a, of the rated load."""
    boom_share: float = Field(default=0.0, ge=0, le=1)
    """b, of the boom's mass referred to its tip."""
    basis: str = Field(default="", max_length=1000)
    angle_step_deg: Angle = Field(default=1.0, alias="angle_step", gt=0, le=45)
    percent_step: float = Field(default=1, gt=0, le=50)
    tape_step_m: Length = Field(default=0.01, alias="tape_step", gt=0, le=1)
    tape_class: Literal["I", "II", "III"] | None = None
    """Accuracy class printed on the tape."""
    tape_hook_end: bool = False
    """Whether lengths are taken from the tape's hook or butt end, not from a mark."""
    slew_rate_limit_dps: SlewRate = Field(default=3.0, alias="slew_rate_limit", gt=0, le=90)
    """Fastest slew with the load hanging that passes; 3 deg/s is common practice, no source."""
    rule: Literal["guarded", "simple"] = "guarded"
    """Whether the expanded uncertainty is taken off a moment before it is judged."""
    sectors: Literal["single", "steps"] = "single"
    """Beyond a first lift: one reduced sector a side, or one for each hold."""

    @model_validator(mode="before")
    @classmethod
    def _one_way(cls, value: Any) -> Any:
        if not isinstance(value, dict):
            return value
        ways = [w for w in _WAYS if value.get(w) is not None]
        if len(ways) > 1:
            raise ValueError(f"{' and '.join(ways)} state the moment in different ways; keep one")
        if "boom_share" in value and "load_factor" not in value:
            raise ValueError("boom_share goes with load_factor, as in a · P + b · F")
        preset = value.get("preset")
        return value | _written_out(preset, value) if isinstance(preset, str) else value


def _written_out(name: str, table: dict[str, Any]) -> dict[str, Any]:
    """What a preset stands for, as the keys that a person could have written."""
    preset = PRESETS.get(name)
    if preset is None:
        near = difflib.get_close_matches(name, PRESETS, n=1, cutoff=0.3)
        said = f"did you mean {near[0]!r}?" if near else f"known: {', '.join(PRESETS)}"
        raise ValueError(f"there is no preset {name!r}; {said}")
    own = table.get("basis") or ""
    basis = f"{own}; {preset.basis}" if isinstance(own, str) and own else preset.basis
    return _numbers(preset) | {"basis": basis if isinstance(own, str) else own}


def _numbers(preset: Preset) -> dict[str, float]:
    if preset.moment_factor is not None:
        return {"moment_factor": preset.moment_factor}
    if preset.load_factor is not None:
        return {"load_factor": preset.load_factor, "boom_share": preset.boom_share}
    return {}


def needs_rated_load(method: Method) -> str:
    """The key that makes the method need the crane's rated load; empty where it does not."""
    if method.preset == UNIT_PROOF_LOAD:
        return f"preset {UNIT_PROOF_LOAD!r}"
    return "" if method.load_factor is None else "load_factor"
