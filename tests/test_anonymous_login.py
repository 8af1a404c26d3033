"""A broker that lets in whoever comes is told from one that does not."""

import socket

import pytest

from logger.readings.rig_file import Source as SourceTable
from logger.sources.anonymous_login import anonymous_login_refused
from tests.broker import free_port, running_broker
from tests.test_mqtt_topic import CREW


def table(url):
    """A source with user and password, which the probe must not use."""
    return SourceTable(id="wheels", kind="mqtt", url=url, topic="t", **CREW)


@pytest.mark.parametrize("anonymous", [True, False])
def test_a_broker_that_asks_for_a_login_is_told_from_one_that_does_not(tmp_path, anonymous):
    """True where the broker refuses a nameless client, False where it lets it in."""
    with running_broker(tmp_path, anonymous=anonymous) as broker:
        refused = anonymous_login_refused(table(broker.url))

    assert refused is not anonymous


def test_a_broker_that_is_not_there_tells_nothing():
    """None where no broker listens."""
    assert anonymous_login_refused(table(f"mqtt://127.0.0.1:{free_port()}")) is None


def test_a_broker_that_does_not_answer_tells_nothing():
    """None where the port is open and nobody speaks."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        url = f"mqtt://127.0.0.1:{server.getsockname()[1]}"

        assert anonymous_login_refused(table(url)) is None
