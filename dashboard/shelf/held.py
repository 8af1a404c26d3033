"""What is made once for whoever asks, and kept for those who ask next."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future
from typing import Generic, TypeVar

Key = TypeVar("Key", bound=Hashable)
Thing = TypeVar("Thing")


class Held(Generic[Key, Thing]):
    """The few things that were asked for last. Safe to use from several threads.

    Who asks for something that another thread is making waits for that.

    Args:
        most: how many are kept.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._lock = threading.Lock()
        self._things: OrderedDict[Key, Future[Thing]] = OrderedDict()

    def get(self, key: Key, make: Callable[[], Thing]) -> Thing:
        """A thing; ``make`` makes it where it is not kept, and what that raises is raised."""
        with self._lock:
            thing = self._things.get(key)
            is_new = thing is None
            if thing is None:
                thing = self._things[key] = Future()
            self._things.move_to_end(key)
            while len(self._things) > self._most:
                self._things.popitem(last=False)
        if is_new:
            self._make(key, thing, make)
        return thing.result()

    def _make(self, key: Key, thing: Future[Thing], make: Callable[[], Thing]) -> None:
        try:
            thing.set_result(make())
        except BaseException as exc:
            with self._lock:
                if self._things.get(key) is thing:
                    del self._things[key]  # the next who asks tries again
            thing.set_exception(exc)
            raise
