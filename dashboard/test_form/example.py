"""The test that the form begins with: an invented truck and crane, worked through."""

from __future__ import annotations

EXAMPLE_TOML = """\
# A worked example: no such truck exists. Put your own in its place.
[test]
id = "example-1"
operator = ""
engineer = ""
site = ""

[truck]
id = "Example truck"
wheels = ["front_left", "front_right", "rear_left", "rear_right"]
slew_limit_right = "172 deg"
slew_limit_left = "168 deg"

[crane]
id = "Example crane"
rated_moment = "45 kN·m"
reach = "5.8 m"
tip_height = "5.2 m"        # above the ground, at the test radius
hanging_height = "2.1 m"    # hook to the underside of the load
head_room = "0.8 m"
rope_length = "3.5 m"

[load]
parts = [
  { name = "block", mass = "1360 kg", u = "2 kg" },
  { name = "hook block and rigging", mass = "40 kg", u = "0.5 kg" },
]
above_cell = "40 kg"

[method]
moment_factor = 1.18
basis = "example only: name the rule, manual or procedure that you test by"

[model]                     # the truck on springs; it foresees, it proves nothing
column = ["-0.6 m", "-0.3 m"]
masses = [
  { name = "truck and body", mass = "6300 kg", at = ["2.62 m", "0.08 m"] },
  { name = "crane column", mass = "480 kg", at = ["-0.6 m", "-0.3 m"] },
]
slewing = [{ name = "boom", mass = "620 kg", radius = "1.3 m" }]
supports = [
  { name = "front_left", kind = "wheel", at = ["3.6 m", "1.0 m"], stiffness = "250 N/mm" },
  { name = "front_right", kind = "wheel", at = ["3.6 m", "-1.0 m"], stiffness = "250 N/mm" },
  { name = "rear_left", kind = "wheel", at = ["0 m", "0.95 m"], stiffness = "650 N/mm" },
  { name = "rear_right", kind = "wheel", at = ["0 m", "-0.95 m"], stiffness = "650 N/mm" },
]

[watch]
load_over = "50 kg"
level = "0.6 deg"
"""
