"""What the keys at the panel mean: acknowledge, mark, and short texts that are typed."""

from __future__ import annotations

from collections.abc import Callable

from logger.readings.quantity import Kind, parse_quantity
from logger.recording.header import Note, NoteKind
from logger.sources.arrival import Clock

_LONGEST = 500
_PROMPTS: dict[str, tuple[NoteKind, str]] = {
    "r": ("radius", "Tape radius, like 3.49 m"),
    "t": ("text", "Note"),
}
_ENTER, _ERASE, _ESCAPE = "\r\n", "\x7f\b", "\x1b"


class NoteEntry:
    """Turns keys into notes.

    Args:
        clock: the run's clock; a note is of the moment its key was pressed.
        put: takes a note.
    """

    def __init__(self, clock: Clock, put: Callable[[Note], None]) -> None:
        self._clock = clock
        self._put = put
        self._kind: NoteKind | None = None
        self._prompt = ""
        self._typed = ""
        self._since_ns = 0
        self._problem = ""

    @property
    def line(self) -> str | None:
        """The line to show while something is typed; None while nothing is."""
        if not self._kind:
            return self._problem or None
        return f"{self._prompt}: {self._typed}▏  Enter keeps, Esc leaves  {self._problem}"

    def press(self, keys: str) -> None:
        """Takes the keys pressed since the last call."""
        if keys.startswith(_ESCAPE) and len(keys) > 1:
            return  # an arrow or a function key
        for key in keys:
            if self._kind:
                self._type(key)
            else:
                self._begin(key)

    def _begin(self, key: str) -> None:
        self._problem = ""
        now_ns = self._clock()
        if key == "a":
            self._put(Note(t_ns=now_ns, kind="acknowledge"))
        elif key == "m":
            self._put(Note(t_ns=now_ns, kind="mark"))
        elif key in _PROMPTS:
            self._kind, self._prompt = _PROMPTS[key]
            self._typed, self._since_ns = "", now_ns

    def _type(self, key: str) -> None:
        if key == _ESCAPE:
            self._kind, self._problem = None, ""
        elif key in _ERASE:
            self._typed = self._typed[:-1]
        elif key in _ENTER:
            self._keep()
        elif key.isprintable() and len(self._typed) < _LONGEST:
            self._typed += key

    def _keep(self) -> None:
        text = self._typed.strip()
        value_m: float | None = None
        if self._kind == "radius":
            try:
                value_m = parse_quantity(text, Kind.LENGTH)
            except ValueError as exc:
                self._problem = f"{text!r} won't do: {exc}"
                return
            if not value_m > 0:
                self._problem = f"{text!r} is no radius"
                return
        if text:
            kind = self._kind or "text"
            self._put(Note(t_ns=self._since_ns, kind=kind, text=text, value_m=value_m))
        self._kind, self._problem = None, ""
