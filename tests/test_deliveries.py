"""Which messages may be acknowledged: an acknowledgement never goes out for another message."""

from __future__ import annotations

import pytest

from logger.sources.deliveries import Deliveries


@pytest.fixture
def deliveries():
    """The messages of a session that was just joined."""
    deliveries = Deliveries()
    deliveries.connected(resumed=False)
    return deliveries


def break_off(deliveries, *, resumed):
    """The connection is lost, and there is another."""
    deliveries.lost()
    deliveries.connected(resumed=resumed)


def test_a_message_is_acknowledged_on_the_connection_that_brought_it(deliveries):
    """Safe while it is up: acknowledge; safe after it broke: not until it has come again."""
    at_once, _ = deliveries.coming(1, b"a", again=False)
    late, _ = deliveries.coming(2, b"b", again=False)
    before = deliveries.safe(at_once)
    break_off(deliveries, resumed=True)
    after = deliveries.safe(late)
    come, new = deliveries.coming(2, b"b", again=True)

    assert before
    assert not after
    assert (come, new, come.safe) == (late, False, True)


def test_a_message_that_is_safe_while_there_is_no_connection_waits(deliveries):
    """Between two connections there is none on which to acknowledge."""
    delivery, _ = deliveries.coming(1, b"a", again=False)
    deliveries.lost()

    assert not deliveries.safe(delivery)


def test_a_message_that_comes_again_is_acknowledged_on_the_later_connection(deliveries):
    """Still with the recorder when it came again: not handed over twice, acknowledged when safe."""
    first, _ = deliveries.coming(1, b"a", again=False)
    break_off(deliveries, resumed=True)
    second, new = deliveries.coming(1, b"a", again=True)

    assert second is first
    assert not new
    assert deliveries.safe(first)


def test_a_number_that_the_broker_gives_anew_is_another_message(deliveries):
    """The same number and words, but not said to be sent before: a sensor may repeat itself."""
    first, _ = deliveries.coming(1, b"a", again=False)
    second, new = deliveries.coming(1, b"a", again=False)

    assert new
    assert second is not first
    assert not deliveries.safe(first)
    assert deliveries.safe(second)


def test_other_words_under_one_number_are_another_message(deliveries):
    """A broker that took up an older state gives one number to two messages."""
    first, _ = deliveries.coming(1, b"a", again=False)
    break_off(deliveries, resumed=True)
    second, new = deliveries.coming(1, b"b", again=True)

    assert new
    assert not deliveries.safe(first)
    assert deliveries.safe(second)


def test_the_numbers_of_a_session_mean_nothing_in_the_next(deliveries):
    """A new session's message is new, also where number, words and mark are an old one's."""
    old, _ = deliveries.coming(1, b"a", again=False)
    break_off(deliveries, resumed=False)
    young, new = deliveries.coming(1, b"a", again=True)

    assert new
    assert young is not old
    assert not deliveries.safe(old)


def test_an_old_acknowledgement_does_not_end_the_message_that_has_its_number_now(deliveries):
    """The later message stays open: it is still acknowledged once it is safe itself."""
    old, _ = deliveries.coming(1, b"a", again=False)
    young, _ = deliveries.coming(1, b"b", again=False)
    deliveries.acknowledged(old)

    assert deliveries.safe(young)


def test_an_acknowledged_number_is_free(deliveries):
    """What comes under it then is new, whatever it says."""
    old, _ = deliveries.coming(1, b"a", again=False)
    deliveries.acknowledged(old)
    _, new = deliveries.coming(1, b"a", again=True)

    assert new


def test_what_the_recorder_refused_is_handed_over_when_it_comes_again(deliveries):
    """No room: forgotten, so that the second sending counts as the first."""
    refused, _ = deliveries.coming(1, b"a", again=False)
    deliveries.refused(refused)
    break_off(deliveries, resumed=True)
    _, new = deliveries.coming(1, b"a", again=True)

    assert new
