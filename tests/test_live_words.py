"""What the live page says of each state, and what a press on it becomes."""

from __future__ import annotations

import json

import pytest

from dashboard.figures.units import SI, US
from dashboard.live.picture import LivePicture, Phase
from dashboard.live.press import read_press
from dashboard.live.words import page_words
from logger.errors import BadInput
from logger.events.sweep import Side
from logger.events.sweep_progress import SideProgress
from logger.live.viewer_lines import LastLift, LiveView, Tape
from logger.live.viewing import Told, Watched
from tests.live_bay import RIG, TEST, WHEELS

TEST_TOML = TEST.replace("TEST-ID", "words").replace("TRUCK", '"Truck"')
RIG_TOML = RIG.replace("PORT", "none")
_RADIUS = 'id = "radius"\nsource = "mast"\nname = "rad"\nunit = "m"\nstale_after = "0.6 s"\n'
NO_SENSOR = RIG_TOML.replace(f"[[channel]]\n{_RADIUS}", "")
ALARM = {
    "event": "alarm",
    "condition": "wheel/rear_left",
    "state": "confirmed",
    "active": True,
    "acknowledged": False,
    "t_s": 1.0,
    "text": "wheel rear_left HAS LIFTED",
}


def view(**changes):
    latest = {"slew": 74.6, "load": 1360.0, "radius": 3.91, **{f"wheel/{w}": 1.0 for w in WHEELS}}
    fields = {
        "t_ns": 125_000_000_000,
        "latest": latest,
        "latest_ns": dict.fromkeys(latest, 124_900_000_000),
        "stale": (),
        "load_state": "hanging",
        "load_hangs": True,
        "rates_hz": {},
        "missing_packs": {"mast": 2},
        "other_gaps": 0,
        "clock_u_s": {},
        "kept_samples": 12_345,
        "waiting_s": 0.0,
        "room_left_s": 7200.0,
        "alarms": (),
        "openings": {},
        "progress": {str(s): SideProgress() for s in Side},
    }
    changes["latest"] = latest | changes.get("latest", {})
    return LiveView(**(fields | changes))


def picture(*told, rig=RIG_TOML, **changes):
    watched = Watched(
        run_id="words-1",
        started_utc=None,
        rig_toml=rig,
        test_toml=TEST_TOML,
        clock_rate=1.0,
        journal="/runs/words-1.journal",
    )
    made = LivePicture(watched)
    made.take(Told(kind="state", state=view(**changes)))
    for event in told:
        made.take(Told(kind="event", event=event))
    return made


def said(made, units=SI):
    """The page's words and states, with plain spaces."""
    found = json.loads(json.dumps(page_words(made, units)).replace("\\u202f", " "))
    return found, found["words"], found["states"]


def test_a_quiet_moment_in_both_systems_of_units():
    """Numerals with what stands below them, age of each channel, health."""
    found, words, states = said(picture())
    _, us, _ = said(picture(), US)

    assert (words["live-slew-value"], words["live-slew-below"]) == ("74.6°", "right")
    assert (words["live-load-value"], words["live-load-below"]) == ("1 400", "◆ hanging")
    assert words["live-radius-value"] == "3.91"
    assert words["live-moment-value"] == "101 %"
    assert (us["live-load-value"], us["live-radius-value"]) == ("3 086", "12.83")
    assert states["live-alarm"] == "clear"
    assert words["live-alarm-text"] == "None active, none to acknowledge."
    assert found["ages_s"][0] == pytest.approx(0.1)
    assert words["live-health"] == "12 345 readings kept · 2 packs missing · disk room for 2 h"
    assert words["live-sweep-words"] == "On the right, at rest, boom may go to 172°"


def test_a_load_beyond_the_plan_is_said_below_it():
    """Up to 5 % over the test load is as planned; more is abnormal by sign, word and state."""
    _, as_planned, calm = said(picture(latest={"load": 1425.0}))
    _, words, states = said(picture(latest={"load": 1700.0}))

    assert (as_planned["live-load-below"], calm["live-load"]) == ("◆ hanging", "known")
    assert words["live-load-below"] == "▲ 340 kg over plan"
    assert states["live-load"] == "abnormal"


@pytest.mark.parametrize(
    ("changes", "state", "word", "text"),
    [
        ({}, "confirmed", "ALARM", "Wheel rear left HAS LIFTED"),
        ({"acknowledged": True}, "confirmed-known", "ALARM, acknowledged", "Wheel rear left"),
        ({"active": False}, "waiting", "OVER, not acknowledged", "Wheel rear left"),
        ({"state": "unknown"}, "unknown", "UNKNOWN", "Wheel rear left"),
        ({"state": "suspect", "acknowledged": True}, "suspect", "WATCH", "Wheel rear left"),
        ({"condition": "wind", "text": "wind 9.4 m/s"}, "confirmed", "ALARM", "Wind 9.4 m/s"),
    ],
)
def test_the_banner_says_each_alarm_by_sign_and_word(changes, state, word, text):
    """Confirmed, acknowledged, over, unknown, suspect, a limit."""
    found, words, states = said(picture(alarms=(ALARM | changes,)))
    waits = not (ALARM | changes)["acknowledged"]

    assert states["live-alarm"] == state
    assert words["live-alarm-word"] == word
    assert words["live-alarm-text"].startswith(text)
    assert (states["live-acknowledge"] == "due") is waits
    assert bool(found["seen"]) is waits


def test_an_event_is_laid_over_the_state_until_the_next_one():
    """A lift and a silence show at once, before the recorder's next state has them."""
    lift = {"event": "wheel_lift", "wheel": "rear_left", "state": "suspect", "t_s": 125.0,
            "slew_deg": 74.6, "load": "hanging"}  # fmt: skip
    stale = {"event": "stale", "channel": "wheel/rear_right", "t_s": 125.0}
    made = picture(ALARM, lift, stale)
    _, words, states = said(made)

    assert states["live-wheel-2"] == "opening"
    assert (states["live-wheel-3"], words["live-wheel-3-word"]) == ("unknown", "UNKNOWN")
    assert states["live-alarm"] == "confirmed"

    made.take(Told(kind="state", state=view()))
    _, _, states = said(made)

    assert (states["live-wheel-2"], states["live-wheel-3"]) == ("down", "down")
    assert states["live-alarm"] == "clear"


def test_an_open_contact_that_no_event_told_of_is_not_shown_as_down():
    """Where events were missed the reading itself counts."""
    _, _, states = said(picture(latest={"wheel/rear_left": 0.0}))

    assert states["live-wheel-2"] == "opening"


@pytest.mark.parametrize("phase", [Phase.GONE, Phase.STILL, Phase.SEALING, Phase.SEALED])
def test_nothing_looks_fresh_once_nothing_is_of_now(phase):
    """Every number a question mark, every wheel unknown, every channel stale, the boom hidden."""
    made = picture()
    made.phase = phase
    found, words, states = said(made)
    loud = phase in (Phase.GONE, Phase.STILL)
    no_readings = "There are no current readings: any wheel may be up."

    assert {words[f"live-{k}-value"] for k in ("slew", "load", "radius", "moment")} == {"?"}
    assert {states[f"live-wheel-{n}"] for n in range(4)} == {"unknown"}
    assert {words[f"live-channel-{n}-state"] for n in range(7)} == {"? stale"}
    assert found["plan"]["slew_deg"] is None
    assert (states["live-alarm"] == "gone") is loud
    assert words["live-alarm-text"].endswith(no_readings) is loud
    assert words["live-sweep-words"] == "Position of the boom unknown"
    assert ("set the load down" in words["live-next-words"]) is loud


def test_a_tape_radius_counts_until_a_wheel_lifts_after_it():
    """By tape: none, noted, and to be measured anew after a lift."""
    tape = Tape(t_ns=10, value_m=3.91)
    lift = LastLift(t_ns=20, wheel="rear_left", slew_deg=74.0, radius_m=None)
    lifted = {str(s): SideProgress(lift_wheel="rear_left") for s in Side}
    _, none, _ = said(picture(rig=NO_SENSOR))
    _, noted, _ = said(picture(rig=NO_SENSOR, tape=tape))
    _, due, _ = said(
        picture(rig=NO_SENSOR, tape=tape, lift=lift, progress=lifted, load_state="on the ground",
                load_hangs=False)
    )  # fmt: skip

    assert (none["live-radius-value"], none["live-radius-below"]) == ("?", "measure and note it")
    assert noted["live-radius-value"] == "3.91"
    assert noted["live-radius-below"].endswith("by tape")
    assert due["live-radius-value"] == "?"
    assert "measure the new radius and note it here" in due["live-next-words"]


@pytest.mark.parametrize(
    ("typed", "units", "value_m", "text"),
    [
        ("3.49", SI, 3.49, "3.49 m"),
        ("11.45", US, 11.45 * 0.3048, "11.45 ft"),  # the foot: exact since 1959
        ("3.49 m", US, 3.49, "3.49 m"),
        (" 349  cm ", SI, 3.49, "349 cm"),
    ],
)
def test_a_radius_is_read_with_its_unit_or_in_that_of_the_page(typed, units, value_m, text):
    """A bare number is in the page's unit; any other unit is said."""
    request = read_press({"do": "radius", "text": typed, "t_s": 12.5, "number": 3}, units)

    assert request.value_m == pytest.approx(value_m)
    assert (request.text, request.t_ns, request.number) == (text, 12_500_000_000, 3)


@pytest.mark.parametrize(
    ("pressed", "what"),
    [
        ({"do": "radius", "text": "twelve"}, "won't do"),
        ({"do": "radius", "text": ""}, "no reading"),
        ({"do": "radius", "text": "-3"}, "no crane's radius"),
        ({"do": "radius", "text": "3,49"}, "won't do"),
        ({"do": "text", "text": " \n "}, "no words"),
        ({"do": "text", "text": "x" * 501}, "501 characters"),
        ({"do": "seal", "text": ""}, "knows no 'seal'"),
    ],
)
def test_a_press_that_will_not_do_is_told_in_one_line(pressed, what):
    """No traceback, and nothing reaches the recorder."""
    with pytest.raises(BadInput, match=what):
        read_press(pressed, SI)


def test_events_name_a_wheel_as_people_say_it():
    """Opened, silent, acknowledged: "rear left"; what a person wrote, and a path, stay."""
    told = (
        {"event": "recording", "path": "/runs/rear_left.journal"},
        {"event": "note", "kind": "text", "text": "rear_left sinks", "t_s": 1.0},
        {"event": "note", "kind": "acknowledge", "text": "wheel/rear_left confirmed", "t_s": 1.0},
        {"event": "stale", "channel": "wheel/front_right", "t_s": 2.0},
        {"event": "wheel_lift", "wheel": "rear_left", "state": "suspect", "t_s": 3.0,
         "slew_deg": 74.6, "load": "hanging"},
    )  # fmt: skip
    found, _, _ = said(picture(*told))

    assert found["events"] == [
        "3.00 s  rear left open? at 74.6° (load hanging)",
        "2.00 s  wheel front right sends nothing: state unknown",
        "1.00 s  acknowledge wheel rear left confirmed",
        "1.00 s  text rear_left sinks",
        "recording into /runs/rear_left.journal",
    ]


def test_an_acknowledgement_says_what_it_acknowledges():
    """The note names condition and state of all that stood before the person's eyes."""
    seen = [["wheel/rear_left", "confirmed"], ["data/slew", "unknown"]]
    request = read_press({"do": "acknowledge", "seen": seen, "t_s": 1.0}, SI)

    assert request.text == "wheel/rear_left confirmed, data/slew unknown"
    assert request.seen == (("wheel/rear_left", "confirmed"), ("data/slew", "unknown"))
