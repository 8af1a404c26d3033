"""Fixtures and options for all tests."""

from __future__ import annotations

import threading
import time

import pytest
from hypothesis import HealthCheck, settings

from tests.browsing import chromium

settings.register_profile(
    "house", deadline=None, suppress_health_check=[HealthCheck.too_slow], print_blob=True
)
settings.load_profile("house")


def pytest_addoption(parser):
    """Tests that need real sensors run only when asked for."""
    parser.addoption("--hardware", action="store_true", help="run tests that need real sensors")


def pytest_ignore_collect(collection_path, config):
    """Where only what needs a browser is asked for, the other files are not read."""
    if config.option.markexpr == "browser" and collection_path.suffix == ".py":
        return "needs_chromium" not in collection_path.read_text() or None
    return None


def pytest_collection_modifyitems(config, items):
    """Leaves hardware tests out unless asked for."""
    if config.getoption("--hardware"):
        return
    skip = pytest.mark.skip(reason="needs real sensors; run with --hardware")
    for item in items:
        if "hardware" in item.keywords:
            item.add_marker(skip)


@pytest.fixture(scope="session")
def profile(tmp_path_factory):
    """What Chromium keeps from module to module."""
    return tmp_path_factory.mktemp("profile")


@pytest.fixture(scope="module")
def browser(profile):
    """One Chromium for all tests of a module."""
    with chromium(profile) as opened:
        yield opened


@pytest.fixture(autouse=True, scope="session")
def folders_of_our_own(tmp_path_factory):
    """What the user keeps is left alone, and what others record beside the tests is not seen."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
        patch.setenv("XDG_RUNTIME_DIR", str(tmp_path_factory.mktemp("runtime")))
        yield


@pytest.fixture(autouse=True)
def no_thread_is_left_behind():
    """Fails a test that leaves a thread of the recorder or a source running."""
    before = set(threading.enumerate())
    yield
    end = time.monotonic() + 5
    while time.monotonic() < end:
        left = [
            t for t in threading.enumerate() if t not in before and not t.daemon and t.is_alive()
        ]
        if not left:
            return
        time.sleep(0.02)
    pytest.fail(f"threads left running: {[t.name for t in left]}")
