"""The panel: what must be acted on stands first, in words; keys make notes."""

import io

import pytest
from rich.console import Console

from logger.events.alarm import AlarmChange, AlarmState
from logger.events.load_phase import LoadState
from logger.live.big_digits import big
from logger.live.event_lines import describe
from logger.live.note_entry import NoteEntry
from logger.live.panel import RecordPanel
from logger.live.snapshot import Snapshot
from logger.readings.rig_file import read_rig
from logger.readings.test_file import read_test
from tests.made_run import RIG_TOML, TEST_TOML

RIG, TEST = read_rig(RIG_TOML), read_test(TEST_TOML)


def snapshot(**changes):
    fields = {
        "t_ns": 3_725_000_000_000,
        "latest": {"slew": 74.6, "load": 1359.0, "radius": 3.87}
        | {f"wheel/{w}": 1.0 for w in TEST.truck.wheels},
        "stale": frozenset(),
        "load_state": LoadState.HANGING,
        "alarms": (),
        "rates_hz": {"slew": 100.0},
        "missing_packs": {},
        "other_gaps": 0,
        "clock_u_s": {"mast": 0.0006, "wheels": None},
        "kept_samples": 123456,
        "waiting_s": 0.02,
        "room_left_s": 7200.0,
    }
    return Snapshot(**(fields | changes))


def drawn(panel, now, *, columns=100, lines=50):
    """What stands on the screen, as text without colours."""
    console = Console(file=io.StringIO(), width=columns, color_system=None)
    console.print(panel.draw(now, columns=columns, lines=lines))
    return console.file.getvalue()


def alarm(condition="wheel/rear_left", **changes):
    fields = {
        "condition": condition,
        "state": AlarmState.CONFIRMED,
        "active": True,
        "acknowledged": False,
        "t_ns": 1,
        "text": f"{condition} HAS LIFTED",
    }
    return AlarmChange(**(fields | changes))


def test_the_gravest_thing_stands_first_and_in_words():
    """An alarm is the panel's first line, says what to do, and needs no colour."""
    lines = drawn(RecordPanel(RIG, TEST), snapshot(alarms=(alarm(),))).splitlines()

    assert "▲ wheel/rear_left HAS LIFTED" in lines[1]
    assert "NOT ACKNOWLEDGED: key a" in lines[2]


@pytest.mark.parametrize("columns", [60, 80, 120])
def test_nothing_is_cut_off_at_common_widths(columns):
    """Numerals, wheels, sources and keys are whole at 60, 80 and 120 columns."""
    text = drawn(RecordPanel(RIG, TEST), snapshot(), columns=columns)

    assert "…" not in text
    for word in ("1:02:05", "no alarm stands", "front left", "rear right", "samples", "Ctrl-C"):
        assert word in text
    if columns < 96:
        assert "74.6" in text
    else:
        assert big("74.6").splitlines()[0] in text


def test_the_whole_panel_fits_a_common_low_terminal():
    """At 80 by 24, with many alarms and events, the line of keys is still on the screen."""
    panel = RecordPanel(RIG, TEST)
    for n in range(9):
        panel.take({"event": "stale", "channel": "slew", "t_s": float(n)})
    alarms = tuple(alarm(f"wheel/{n}", text="x" * 100) for n in range(7))
    lines = drawn(panel, snapshot(alarms=alarms), columns=80, lines=24).splitlines()

    assert len(lines) <= 23
    assert "Ctrl-C" in lines[-2]
    assert "NOT ACKNOWLEDGED: key a   and 5 more" in lines[3]
    assert "advisory: no safety function" in lines[-1]


def test_a_wheel_without_fresh_data_is_unknown_in_capitals():
    """A stale contact is as loud as a lift, and its last value is not shown as the present."""
    text = drawn(RecordPanel(RIG, TEST), snapshot(stale=frozenset({"wheel/rear_left", "load"})))

    assert "UNKNOWN: no data" in text
    assert "no data" in text
    assert "1359" not in text


def test_every_event_has_a_line_a_person_can_read():
    """No event shows its keys as a programmer would."""
    events = [
        {"event": "recording", "run_id": "a", "path": "runs/a.journal"},
        {
            "event": "wheel_lift",
            "state": "confirmed",
            "wheel": "rear_left",
            "t_s": 1.0,
            "slew_deg": 74.6,
            "load": "hanging",
        },
        alarm().as_event(),
        alarm(active=False).as_event(),
        {"event": "gap", "source": "mast", "missing": 3, "kind": "missing_packs", "text": ""},
        {"event": "note", "kind": "radius", "t_s": 1.0, "text": "3.49 m", "value_m": 3.49},
        {"event": "stale", "channel": "slew", "t_s": 1.0},
        {"event": "fresh", "channel": "slew", "t_s": 1.0},
        {"event": "back", "source": "mast", "t_s": 1.0},
        {"event": "radius_change", "t_s": 1.0, "from_m": 3.9, "to_m": 3.5},
        {"event": "sealed", "path": "runs/a.parquet", "samples": 7},
        {"event": "missed", "count": 4},
        {"event": "storage_failed", "text": "no room"},
        {"event": "not_wired", "source": "mast", "names": ["x"]},
        {"event": "republish", "state": "lost", "text": "gone"},
        {"event": "alarm_output", "output": "beacon", "state": "lost", "text": "gone"},
    ]
    lines = [describe(event).plain for event in events]

    assert all(line.strip() and "None" not in line and "{" not in line for line in lines)
    assert "rear_left LIFTED at 74.6°" in lines[1]


class Typist:
    """Keys in, notes out, with a clock that goes on a second at each look."""

    def __init__(self):
        self.notes = []
        self._now_s = 0
        self.entry = NoteEntry(self._clock, self.notes.append)

    def _clock(self):
        self._now_s += 1
        return self._now_s * 1_000_000_000


def test_a_tape_radius_is_dated_from_its_first_key():
    """Key r, a quantity, Enter: a radius note of the moment the key was pressed."""
    typist = Typist()
    for key in ["r", *"3.49 m", "\r"]:
        typist.entry.press(key)
    (note,) = typist.notes

    assert (note.kind, note.value_m, note.t_ns) == ("radius", 3.49, 1_000_000_000)
    assert typist.entry.line is None


def test_a_radius_that_is_none_can_be_mended():
    """A quantity without its unit keeps the line open and says what would do."""
    typist = Typist()
    typist.entry.press("r3.49\r")

    assert typist.notes == []
    assert "won't do" in typist.entry.line

    typist.entry.press(" m\r")

    assert [n.value_m for n in typist.notes] == [3.49]


def test_single_keys_mark_and_acknowledge_and_others_do_nothing():
    """Keys a and m act at once; Esc leaves a note unwritten; arrows and strangers are ignored."""
    typist = Typist()
    for keys in ("a", "m", "x", "\x1b[A", "t", "wind", "\x7f", "\x1b", "\r"):
        typist.entry.press(keys)

    assert [n.kind for n in typist.notes] == ["acknowledge", "mark"]
