"""A small rig and test, for tests of recording."""

from __future__ import annotations

from logger.recording.header import RunHeader

RIG = """
[rig]
id = "bay-2"
[[source]]
id = "mast"
kind = "serial"
port = "/dev/ttyUSB0"
[[channel]]
id = "slew"
source = "mast"
name = "enc"
unit = "deg"
scale = 0.087890625
wraps_at = 4096
[[channel]]
id = "load"
source = "mast"
name = "cell"
unit = "lb"
scale = 2.0
offset = 1.0
[[channel]]
id = "wheel/rear_left"
source = "mast"
name = "rl"
closed_when = true
[[channel]]
id = "wheel/rear_right"
source = "mast"
name = "rr"
closed_when = false
[[channel]]
id = "wheel/front_left"
source = "mast"
name = "fl"
closed_when = "ON"
"""
TEST = """
[test]
id = "demo-a-1"
[truck]
id = "invented"
wheels = ["rear_left", "rear_right"]
[crane]
rated_moment = "45 kN·m"
[load]
parts = [{ name = "block", mass = "1360 kg" }]
"""


def header(**changes) -> RunHeader:
    """A header of that rig and test."""
    fields = {
        "run_id": "bay-2-1",
        "started_utc": "2026-05-04T09:30:00Z",
        "software": "tests",
        "rig_toml": RIG,
        "test_toml": TEST,
    }
    return RunHeader(**(fields | changes))
