"""What each key of a test file means, in plain words.

A path is the tables' names and the key, set off by slashes, without the numbers of rows. Only words
stand here: which fields there are, of which kind, and which must be filled in follows from the
models that read the file.
"""

from __future__ import annotations

from typing import NamedTuple


class Words(NamedTuple):
    """What a form says of a key.

    Attributes:
        label: a few words.
        hint: what to write, or why; empty where the label says it all.
        rare: whether most tests leave it out.
    """

    label: str
    hint: str = ""
    rare: bool = False


FIELD_WORDS = {
    "test": Words("Test", "Who tests what, and where."),
    "test/id": Words("Name of the test", "Letters, digits, '_', '.' and '-'."),
    "test/operator": Words("Crane operator"),
    "test/engineer": Words("Test engineer"),
    "test/witness": Words("Witness"),
    "test/site": Words("Site"),
    "test/notes": Words("Notes"),
    "truck": Words("Truck", "The truck that the crane is mounted on."),
    "truck/id": Words("Which truck", "Plate or chassis number."),
    "truck/build": Words(
        "Build", "A name for the truck as it stands now; give a new one after every change."
    ),
    "truck/wheels": Words(
        "Wheels that are watched", "One a line. The rig file has a contact for each."
    ),
    "truck/slew_limit_right": Words(
        "Farthest slew to the right", "From over the rear, as near the cab as the boom may come."
    ),
    "truck/slew_limit_left": Words("Farthest slew to the left", "Likewise, as a size."),
    "crane": Words("Crane", "What its maker says it may do."),
    "crane/id": Words("Which crane", "Type and serial number."),
    "crane/rated_moment": Words(
        "Rated moment", "Leave it out where rated load and rated radius are given."
    ),
    "crane/rated_load": Words("Rated load", "Allowed at the rated radius."),
    "crane/rated_radius": Words("Rated radius"),
    "crane/boom_tip_mass": Words(
        "Boom's mass at its tip", "For methods that add a share of the boom.", rare=True
    ),
    "crane/chart": Words(
        "File of the load chart", "It lies beside the test file; open it here as well."
    ),
    "crane/reach": Words("Reach", "The most radius."),
    "crane/tip_height": Words("Height of the boom tip", "Above the ground, at the test radius."),
    "crane/head_room": Words("Least length above the hook", "From the boom tip to the hook."),
    "crane/hanging_height": Words(
        "Height of what hangs", "From the hook down to the underside of the load."
    ),
    "crane/rope_length": Words("Pendulum", "From the boom tip to the middle of the hanging load."),
    "crane/geometry": Words(
        "Boom geometry", "To compute the radius from the boom's angle and length."
    ),
    "crane/geometry/foot_pin_offset": Words(
        "Foot pin from the slew axis", "Along the boom's direction; negative behind the axis."
    ),
    "crane/geometry/foot_pin_height": Words("Height of the foot pin"),
    "crane/geometry/tip_along": Words("Sheave beyond the boom's length"),
    "crane/geometry/tip_perpendicular": Words("Sheave off the boom's axis", "Positive above it."),
    "crane/geometry/sheave_radius": Words("Radius of the sheave"),
    "crane/geometry/length": Words("Boom length", "Of a boom that has one."),
    "crane/geometry/angle": Words("Boom angle", "Of a boom that stands at one."),
    "crane/geometry/angle_from": Words("Angle measured against"),
    "crane/geometry/u": Words("Standard uncertainty of these lengths", rare=True),
    "crane/geometry/length_u": Words("Standard uncertainty of the boom length", rare=True),
    "crane/geometry/angle_u": Words("Standard uncertainty of the boom angle", rare=True),
    "crane/geometry/deflection": Words("Deflection", "Farther out, since the boom bends."),
    "crane/geometry/deflection_load": Words("… under this load", rare=True),
    "crane/geometry/deflection_moment": Words("… or under this moment", rare=True),
    "crane/geometry/deflection_u": Words("Standard uncertainty of the deflection", rare=True),
    "crane/geometry/deflection_by_tape": Words("Deflection from tape readings of the run"),
    "load": Words("Test load", "All that hangs below the boom tip."),
    "load/parts": Words("Parts", "part"),
    "load/parts/name": Words("What"),
    "load/parts/mass": Words("Mass"),
    "load/parts/u": Words("Standard uncertainty"),
    "load/parts/scale": Words("Weighed on", "Parts of one scale err together.", rare=True),
    "load/parts/certificate": Words("Certificate", rare=True),
    "load/above_cell": Words(
        "Hangs above the load cell", "It is not in the cell's reading: hook block, rigging."
    ),
    "load/above_cell_u": Words("Standard uncertainty of that", rare=True),
    "method": Words("Method", "How the test is judged, stated before it begins."),
    "method/preset": Words("Rule by name", "Or state a factor of your own below."),
    "method/moment_factor": Words("Moment factor k", "Required moment over rated moment."),
    "method/load_factor": Words("Factor a", "In a · P + b · F: of the rated load.", rare=True),
    "method/boom_share": Words("Share b", "Of the boom's mass at its tip.", rare=True),
    "method/basis": Words("Basis", "The rule, manual or procedure that it comes from."),
    "method/angle_step": Words("Step of sector angles", "Rounded down to it."),
    "method/percent_step": Words("Step of percentages", "Rounded down to it."),
    "method/tape_step": Words("Step of the tape", "Radii are set to it."),
    "method/tape_class": Words("Class of the tape"),
    "method/tape_hook_end": Words("Taken from the tape's hook", rare=True),
    "method/slew_rate_limit": Words("Fastest slew", "With the load hanging."),
    "method/rule": Words("Decision rule", "Whether the uncertainty is taken off first."),
    "method/sectors": Words("Beyond a first lift"),
    "model": Words(
        "Truck model", "The truck as a frame on springs. It foresees; it proves nothing."
    ),
    "model/column": Words("Slew axis", "From the middle of the rear axle."),
    "model/masses": Words("Masses fixed to the truck", "mass"),
    "model/masses/name": Words("What"),
    "model/masses/mass": Words("Mass"),
    "model/masses/at": Words("Centre"),
    "model/masses/on_scales": Words("On the truck when it was weighed", rare=True),
    "model/slewing": Words("Masses that slew", "slewing mass"),
    "model/slewing/name": Words("What"),
    "model/slewing/mass": Words("Mass"),
    "model/slewing/radius": Words("Centre along the boom"),
    "model/supports": Words("Supports", "support"),
    "model/supports/name": Words("Name", "That of its wheel."),
    "model/supports/kind": Words("Kind"),
    "model/supports/at": Words("Place"),
    "model/supports/stiffness": Words("Stiffness"),
    "model/supports/preload": Words("Preload", "How far an outrigger is set down.", rare=True),
    "model/supports/unsprung": Words("Mass below the spring", rare=True),
    "model/supports/droop": Words("Droop", "Until the spring pulls at the wheel.", rare=True),
    "model/twist": Words("Stiffness of the frame in twist", "Left out: rigid.", rare=True),
    "model/scales": Words("Scales under the wheels", "scale", rare=True),
    "model/scales/name": Words("Support"),
    "model/scales/mass": Words("Reading"),
    "model/axles": Words("Scales under the axles", "axle", rare=True),
    "model/axles/at": Words("Place", "Ahead of the rear axle."),
    "model/axles/mass": Words("Reading"),
    "model/centre_y": Words("Centre of gravity, to the left", "With axle scales.", rare=True),
    "model/weighed_at": Words("Slew angle when weighed", rare=True),
    "model/bounds": Words("Bounds of a fit to measured lifts", rare=True),
    "model/bounds/centre": Words("Centre, either way"),
    "model/bounds/stiffness": Words("Stiffness, times or divided by"),
    "model/bounds/preload": Words("Preload, either way"),
    "model/bounds/centre_u": Words("Standard uncertainty of the centre"),
    "model/bounds/stiffness_u": Words("Relative uncertainty of stiffness"),
    "model/bounds/preload_u": Words("Standard uncertainty of preload"),
    "watch": Words("Alarms", "Limits that are alarmed while the test runs. None unless stated."),
    "watch/load_over": Words("Load beyond the test load"),
    "watch/radius": Words("Radius", "Absolute: the planned one and what may be added."),
    "watch/level": Words("Truck out of level", "Pitch or roll, either way."),
    "watch/wind": Words("Wind"),
    "record": Words("For the record", "What a report asks for that no sensor tells."),
    "record/laboratory": Words("Laboratory", "Who carries out the test, with the address."),
    "record/customer": Words("Customer"),
    "record/approver": Words("Approved by", "Who authorises the record."),
    "record/procedure": Words("Procedure", "The written one, with its version."),
    "record/truck": Words("Truck", "What tells it from every other: plate, chassis number."),
    "record/crane": Words("Crane", "Type, serial number."),
    "record/configuration": Words("As tested", "Body, outriggers, ballast, tank, tyre pressure."),
    "record/condition": Words("Condition", "What was seen before the test."),
    "record/ground": Words("Ground"),
    "record/level": Words("Level of the truck", "Where no sensor tells it."),
    "record/wind": Words("Wind", "Where no sensor tells it."),
    "record/temperature": Words("Temperature"),
    "record/deviations": Words("Deviations", "From the method or procedure; write none if so."),
    "watch/*/over": Words("Limit"),
    "watch/*/dead_band": Words("Dead band", "How far it must come back.", rare=True),
    "watch/*/on_delay": Words("Delay before it counts", rare=True),
    "watch/*/off_delay": Words("Delay before it ends", rare=True),
}

CHOICE_WORDS = {
    "guarded": "guarded: less the uncertainty",
    "simple": "simple: as measured",
    "single": "single: one reduced sector a side",
    "steps": "steps: a sector for each hold",
    "true": "yes",
    "false": "no",
    "wheel": "wheel",
    "outrigger": "outrigger",
}
"""Values that a key may have, in words; others stand for themselves."""
