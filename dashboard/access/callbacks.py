"""Each callback says whether it reads or changes something, and a witness's may only read.

The mark stands at the function, below ``@app.callback``. What bears no mark counts as changing,
and a test fails, so that a new callback must say what it is. The guard is put around the function
that Dash calls, whether it was asked for by a request or over a WebSocket, so no second reading
of a message can differ from Dash's own.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping
from functools import wraps
from typing import Any, TypeVar

import dash
from dash.exceptions import PreventUpdate

from dashboard.access.visit import VISIT

_Function = TypeVar("_Function", bound=Callable[..., Any])
_MARK = "changes_something"


def reading(function: _Function) -> _Function:
    """Marks a callback that changes nothing which others see or that stays."""
    setattr(function, _MARK, False)
    return function


def changing(function: _Function) -> _Function:
    """Marks a callback that writes, acknowledges, decides or saves."""
    setattr(function, _MARK, True)
    return function


def mark_of(callback: Mapping[str, Any]) -> bool | None:
    """Whether a callback of Dash's map changes something; None where it does not say.

    One that runs in the browser alone has no function here, and changes nothing here.
    """
    function = callback.get("callback")
    return False if function is None else getattr(function, _MARK, None)


def guard_callbacks(app: dash.Dash) -> None:
    """Lets only an engineer's visit reach callbacks that are not marked as reading."""
    for callback in app.callback_map.values():
        if mark_of(callback) is not False:
            callback["callback"] = _guarded(callback["callback"])


def _guarded(function: Callable[..., Any]) -> Callable[..., Any]:
    if inspect.iscoroutinefunction(function):

        @wraps(function)
        async def answer_later(*args: Any, **kwargs: Any) -> Any:
            _check()
            return await function(*args, **kwargs)

        return answer_later

    @wraps(function)
    def answer(*args: Any, **kwargs: Any) -> Any:
        _check()
        return function(*args, **kwargs)

    return answer


def _check() -> None:
    """Stops whoever may not change anything; also code that lost sight of who asks."""
    visit = VISIT.get()
    if visit is not None and visit.may_change:
        return
    if visit is not None:
        visit.refused = True
    raise PreventUpdate
