"""The alarm book: what is told, what stands, and until when."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.events.alarm import AlarmBook, AlarmState, StandingAlarms, load_hangs
from logger.events.limit import LimitEvent, LimitState
from logger.events.standing_alarms import AlarmChange
from logger.events.wheel_lift import ContactEvent, ContactState
from logger.readings.rig_file import read_rig
from logger.readings.test_file import read_test
from tests.rig_of_a_bay import RIG, TEST

SUSPECT, CONFIRMED, CLEARED = ContactState.SUSPECT, ContactState.CONFIRMED, ContactState.CLEARED


def step(state, t_ns, *, opened_ns=None, wheel="rear_left"):
    return ContactEvent(
        wheel=wheel,
        state=state,
        t_ns=t_ns,
        opened_ns=t_ns if opened_ns is None else opened_ns,
        last_closed_ns=None,
    )


def said(changes):
    """(state, active, acknowledged) of each change."""
    return [(str(c.state), c.active, c.acknowledged) for c in changes]


def lifted(book, t_ns=100, **facts):
    """The changes of a whole opening."""
    hanging = facts.pop("load_hanging", True)
    changes = book.contact(step(SUSPECT, t_ns, **facts), load_hanging=hanging)
    return changes + book.contact(step(CONFIRMED, t_ns, **facts), load_hanging=hanging)


def excess(channel, state, t_ns, condition="level"):
    return LimitEvent(
        condition=condition, channel=channel, state=state, t_ns=t_ns, value=1.0, text=channel
    )


def test_a_lift_stays_until_it_is_both_gone_and_acknowledged():
    """Suspect, confirmed, gone but not acknowledged, acknowledged: each is told once."""
    book = AlarmBook()
    told = lifted(book)
    told += book.contact(step(CLEARED, 900, opened_ns=100), load_hanging=True)

    assert said(told) == [
        ("suspect", True, True),
        ("confirmed", True, False),
        ("confirmed", False, False),
    ]
    assert book.loudest is AlarmState.CONFIRMED
    assert said(book.standing()) == [("confirmed", False, False)]
    assert said(book.acknowledge(1000)) == [("cleared", False, True)]
    assert book.standing() == ()
    assert book.loudest is AlarmState.CLEAR


def test_an_acknowledgement_is_of_what_stood_when_it_was_given():
    """Said before the wheel opened and read after: the alarm waits on."""
    book = AlarmBook()
    lifted(book, t_ns=500)

    assert book.acknowledge(499) == []
    assert not book.standing()[0].acknowledged
    assert book.acknowledge(500)[0].acknowledged


def test_an_acknowledged_lift_stands_as_long_as_the_wheel_is_up():
    """Acknowledged while active: it still stands, and ends by itself once the wheel is down."""
    book = AlarmBook()
    lifted(book)

    assert said(book.acknowledge(500)) == [("confirmed", True, True)]
    assert said(book.standing()) == [("confirmed", True, True)]
    assert book.acknowledge(600) == []

    gone = book.contact(step(CLEARED, 900, opened_ns=100), load_hanging=True)

    assert said(gone) == [("cleared", False, True)]
    assert book.standing() == ()


def test_an_opening_that_never_lasted_leaves_nothing_to_acknowledge():
    """Suspect and cleared again: told, and forgotten."""
    book = AlarmBook()
    told = book.contact(step(SUSPECT, 100), load_hanging=True)
    told += book.contact(step(CLEARED, 130, opened_ns=100), load_hanging=True)

    assert said(told) == [("suspect", True, True), ("cleared", False, True)]
    assert book.standing() == ()
    assert book.acknowledge(200) == []


def test_each_opening_tells_its_own_steps_while_an_earlier_alarm_is_latched():
    """A second lift of a wheel whose first waits for its acknowledgement is told from the start."""
    book = AlarmBook()
    lifted(book)
    book.contact(step(CLEARED, 300, opened_ns=100), load_hanging=True)
    second = book.contact(step(SUSPECT, 500), load_hanging=True)

    assert said(second) == [("suspect", True, False)]
    assert said(book.standing()) == [("confirmed", False, False)]

    second = book.contact(step(CONFIRMED, 500), load_hanging=True)

    assert said(second) == [("confirmed", True, False)]
    assert second[0].t_ns == 500
    assert said(book.standing()) == [("confirmed", True, False)]


def test_a_lift_with_no_load_hanging_is_no_alarm():
    """Nothing is told of a wheel that lifts with an empty hook, and nothing stands."""
    book = AlarmBook()
    told = lifted(book, load_hanging=False)
    told += book.contact(step(CLEARED, 300, opened_ns=100), load_hanging=False)

    assert told == []
    assert book.standing() == ()


@pytest.mark.parametrize("hanging", [True, None])
def test_a_wheel_open_already_is_alarmed_when_the_load_comes_to_hang(hanging):
    """The alarm is raised at that moment, also where the load becomes unknown; and once."""
    book = AlarmBook()
    lifted(book, load_hanging=False)
    told = book.load(hanging=hanging, t_ns=5000)

    assert said(told) == [("confirmed", True, False)]
    assert told[0].t_ns == 5000
    assert book.load(hanging=True, t_ns=5001) == []


def test_a_lift_that_was_alarmed_does_not_end_with_the_load_set_down():
    """Setting the load down puts no wheel on the ground: the alarm stays active until it is."""
    book = AlarmBook()
    lifted(book)

    assert book.load(hanging=False, t_ns=5000) == []
    assert said(book.standing()) == [("confirmed", True, False)]


def test_a_load_dropped_at_once_does_not_hide_the_lift_before_it():
    """The wheel opened while the load hung; that it is on the ground when we hear of it is late."""
    book = AlarmBook()
    book.load(hanging=True, t_ns=0)
    book.load(hanging=False, t_ns=900)

    assert said(lifted(book, t_ns=800, load_hanging=False))[-1] == ("confirmed", True, False)
    assert lifted(book, t_ns=1000, wheel="rear_right", load_hanging=False) == []


def test_an_opening_once_told_is_told_to_its_end():
    """A suspect told under load is confirmed and cleared also where the load has gone since."""
    book = AlarmBook()
    book.contact(step(SUSPECT, 100), load_hanging=True)
    told = book.contact(step(CONFIRMED, 100), load_hanging=False)
    told += book.contact(step(CLEARED, 900, opened_ns=100), load_hanging=False)

    assert said(told) == [("confirmed", True, False), ("confirmed", False, False)]


def test_an_unknown_load_counts_as_hanging():
    """A lift beside a silent load cell is alarmed."""
    assert said(lifted(AlarmBook(), load_hanging=None))[-1] == ("confirmed", True, False)


def test_a_silent_wheel_is_unknown_and_waits_for_an_acknowledgement():
    """Silence of a contact is as loud as a lift, load or no load, and latched like one."""
    book = AlarmBook()
    book.load(hanging=False, t_ns=0)
    told = book.stale("wheel/rear_left", stale=True, t_ns=100)

    assert said(told) == [("unknown", True, False)]
    assert told[0].condition == "wheel/rear_left"
    assert book.loudest is AlarmState.UNKNOWN
    assert said(book.stale("wheel/rear_left", stale=False, t_ns=200)) == [("unknown", False, False)]
    assert book.loudest is AlarmState.UNKNOWN
    assert said(book.acknowledge(300)) == [("cleared", False, True)]


def test_a_wheel_that_was_up_before_the_silence_is_up_after_it():
    """Fresh data do not end a lift; only a closed contact does."""
    book = AlarmBook()
    lifted(book)
    book.stale("wheel/rear_left", stale=True, t_ns=300)
    fresh = book.stale("wheel/rear_left", stale=False, t_ns=400)

    assert said(fresh) == [("confirmed", True, False)]


def test_silence_never_covers_up_a_lift_that_waits():
    """A lift that is gone and not acknowledged stands as a lift after a silence came and went."""
    book = AlarmBook()
    lifted(book)
    book.contact(step(CLEARED, 300, opened_ns=100), load_hanging=True)

    assert said(book.stale("wheel/rear_left", stale=True, t_ns=400)) == [("unknown", True, False)]
    assert said(book.standing()) == [("unknown", True, False)]
    assert said(book.stale("wheel/rear_left", stale=False, t_ns=500)) == [
        ("confirmed", False, False)
    ]


def test_only_channels_that_matter_are_alarmed_when_silent():
    """Slew, load, radius and watched channels have a condition; the hook's height has none."""
    rig = RIG + "".join(
        f'[[channel]]\nid = "{c}"\nsource = "mast"\nname = "{c}"\nunit = "{u}"\n'
        for c, u in (("wind", "m/s"), ("pitch", "deg"), ("hook_height", "m"))
    )
    test = read_test(TEST + '[watch]\nwind = "9 m/s"\n')
    book = AlarmBook.of(read_rig(rig), test)
    told = [
        c.condition
        for channel in ("slew", "load", "wind", "pitch", "hook_height")
        for c in book.stale(channel, stale=True, t_ns=1)
    ]

    assert told == ["data/slew", "data/load", "data/wind"]


def test_pitch_and_roll_share_one_condition():
    """Level stays confirmed while either is; what ends in one does not end the other's."""
    book = AlarmBook()
    book.limit(excess("pitch", LimitState.CONFIRMED, 1))
    book.limit(excess("roll", LimitState.SUSPECT, 2))

    assert book.loudest is AlarmState.CONFIRMED
    assert said(book.limit(excess("roll", LimitState.CLEARED, 3))) == []
    assert said(book.limit(excess("pitch", LimitState.CLEARED, 4))) == [("confirmed", False, False)]


def test_other_conditions_are_told_once():
    """A disk that goes on refusing is told once, and again only after it was back."""
    book = AlarmBook()
    first = book.condition("storage", active=True, t_ns=1, text="disk full")

    assert said(first) == [("confirmed", True, False)]
    assert book.condition("storage", active=True, t_ns=2, text="disk full") == []
    assert said(book.condition("storage", active=False, t_ns=3, text="room again")) == [
        ("confirmed", False, False)
    ]
    assert said(book.condition("storage", active=True, t_ns=4, text="full")) == [
        ("confirmed", True, False)
    ]


def test_the_gravest_stands_first():
    """There before gone, confirmed before unknown, a wheel before all others, suspect last."""
    book = AlarmBook()
    book.contact(step(SUSPECT, 9, wheel="a"), load_hanging=True)
    book.stale("slew", stale=True, t_ns=1)
    book.condition("disk_room", active=True, t_ns=2, text="")
    lifted(book, t_ns=3, wheel="b")
    lifted(book, t_ns=4, wheel="c")
    book.contact(step(CLEARED, 5, wheel="c"), load_hanging=True)

    assert [c.condition for c in book.standing()] == [
        "wheel/b",
        "disk_room",
        "data/slew",
        "wheel/c",
        "wheel/a",
    ]


@pytest.mark.parametrize(
    ("cell_kg", "stale", "hangs"),
    [
        (241, False, True),
        (239, False, False),
        (0, True, None),
        (None, False, None),
        (float("nan"), False, None),
    ],
)
def test_a_fifth_of_the_test_load_hangs(cell_kg, stale, hangs):
    """Under a fifth of the test load nothing hangs; a silent cell says nothing."""
    assert load_hangs(cell_kg, stale=stale, above_cell_kg=40, test_load_kg=1400) is hangs


wheels = st.sampled_from(["a", "b"])
acts = st.one_of(
    st.tuples(st.just("open"), wheels, st.sampled_from([True, False, None])),
    st.tuples(st.just("stale"), st.sampled_from(["wheel/a", "slew"]), st.booleans()),
    st.tuples(st.just("load"), st.sampled_from([True, False, None])),
    st.tuples(
        st.just("limit"), st.sampled_from(["pitch", "roll"]), st.sampled_from(list(LimitState))
    ),
    st.tuples(st.just("storage"), st.booleans()),
    st.tuples(st.just("acknowledge")),
)


def play(book, acts):
    """The changes of each act; a wheel's openings step on from where they are."""
    after = {None: SUSPECT, SUSPECT: CONFIRMED, CONFIRMED: CLEARED, CLEARED: SUSPECT}
    at = {"a": None, "b": None}
    for t_ns, (kind, *facts) in enumerate(acts, 1):
        match kind:
            case "open":
                at[facts[0]] = after[at[facts[0]]]
                event = step(at[facts[0]], t_ns, wheel=facts[0])
                yield kind, book.contact(event, load_hanging=facts[1])
            case "stale":
                yield kind, book.stale(facts[0], stale=facts[1], t_ns=t_ns)
            case "load":
                yield kind, book.load(hanging=facts[0], t_ns=t_ns)
            case "limit":
                yield kind, book.limit(excess(*facts, t_ns))
            case "storage":
                yield kind, book.condition(kind, active=facts[0], t_ns=t_ns, text="")
            case "acknowledge":
                yield kind, book.acknowledge(t_ns)


@given(st.lists(acts, max_size=40))
def test_nothing_loud_ever_leaves_the_book_unacknowledged(history):
    """Whatever happens, what was loud stands until an acknowledgement, and then only if active."""
    book, unacknowledged = AlarmBook(), set()
    for kind, changes in play(book, history):
        unacknowledged |= {c.condition for c in changes if c.state.is_loud}
        if kind == "acknowledge":
            unacknowledged.clear()
        standing = {c.condition: c for c in book.standing()}

        assert unacknowledged <= set(standing)
        assert all(not standing[c].acknowledged for c in unacknowledged)
        assert all(standing[c].state.is_loud for c in unacknowledged)
        assert all(c.active for c in standing.values() if c.acknowledged)


@given(st.lists(acts, max_size=40))
def test_who_is_told_the_changes_shows_what_the_book_holds(history):
    """A lamp fed with the events on the wire has the same list, in the same order."""
    book, lamp = AlarmBook(), StandingAlarms()
    for _, changes in play(book, history):
        for change in changes:
            lamp.take(AlarmChange.of_event(change.as_event()))

        assert lamp.gravest_first() == book.standing()
        assert lamp.loudest is book.loudest


@given(st.lists(acts, max_size=40))
def test_a_change_is_told_only_where_something_changed(history):
    """No condition tells the same state twice in a row without an acknowledgement between."""
    told = {}
    for _, changes in play(AlarmBook(), history):
        for change in changes:
            now = (change.state, change.active, change.acknowledged)

            assert told.get(change.condition) != now
            told[change.condition] = now
