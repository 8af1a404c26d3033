"""The truck model's answer as text for a terminal of 80 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Any

from dashboard.figures.words import angle_words, wheel_words
from logger.safety_words import SAFETY_SENTENCES

_WIDTH = 79
ModelDocument = dict[str, Any]


def model_text(document: ModelDocument) -> str:
    """A model's document in words and a table.

    Args:
        document: a ``slewtrace.model/1`` document.
    """
    parts = (_heading(document), _supports(document), _lifts(document), _tipping(document))
    words = "\n\n".join("\n".join(lines) for part in parts if (lines := list(part)))
    caution = "\n".join(SAFETY_SENTENCES)
    return f"{words}\n\n{_last_word(document)}\n\n{caution}"


def _heading(document: ModelDocument) -> Iterator[str]:
    yield f"Test load   {document['load_kg']:g} kg at {document['radius_m']:.2f} m"
    yield f"Truck       {document['truck_kg']:.0f} kg, without the load"


def _supports(document: ModelDocument) -> Iterator[str]:
    slew_deg, rows = document["slew_deg"], document["reactions_n"]
    yield "Reactions, kN               over rear     least  at            most  at"
    names = [_name(name) for name in document["supports"]]
    rear = rows[slew_deg.index(0.0)]
    for i, (name, kind) in enumerate(zip(names, document["kinds"], strict=True)):
        known = [(row[i], a) for row, a in zip(rows, slew_deg, strict=True) if row[i] is not None]
        if not known:
            yield f"  {name:16} {kind:9}  overturns at every angle"
            continue
        least = min(known, key=lambda one: (round(one[0], 3), abs(one[1])))
        most = max(known, key=lambda one: (round(one[0], 3), -abs(one[1])))
        yield (
            f"  {name:16} {kind:9}{_kn(rear[i]):>9}{_kn(least[0]):>10}  "
            f"{_at(least[1]):10}{_kn(most[0]):>8}  {_at(most[1])}"
        )
    twist = [t for t in document["twist_deg"] or () if t is not None]
    if twist:
        yield f"  Twist of the frame, rear to front axle: {min(twist):.2f}° to {max(twist):.2f}°"


def _lifts(document: ModelDocument) -> Iterator[str]:
    yield "First lift"
    for side, lift in document["first_lift"].items():
        if lift is None:
            yield f"  {side:6}    no wheel lifts, to 180°"
        else:
            yield f"  {side:6}    {wheel_words(lift['wheel'])}, at {abs(lift['slew_deg']):.1f}°"
    for start_deg, end_deg in document["overturns"]:
        yield from _wrapped(
            f"OVERTURNS from {angle_words(start_deg, digits=0)} to "
            f"{angle_words(end_deg, digits=0)}: nothing balances this load there; "
            "do not hang it.",
            first="  ▲ ",
            rest="    ",
        )


def _tipping(document: ModelDocument) -> Iterator[str]:
    yield "Rigid tipping"
    least = document["least_tipping"]
    if least is None:
        yield "  no load at this radius can tip the truck: it hangs inside the supports"
        return
    times = least["times_test_load"]
    edge = " and ".join(wheel_words(name) for name in least["supports"])
    share = "" if times is None else f", {times:.2f} × the test load"
    yield from _wrapped(
        f"least margin: tips at {least['load_kg']:.0f} kg{share}, "
        f"at {angle_words(least['slew_deg'], digits=0)}, over the edge from {edge}",
        first="  ",
        rest="  ",
    )


def _last_word(document: ModelDocument) -> str:
    if len(document["supports"]) == 3:
        return "On three supports there is no reserve: the first lift is tipping."
    return "First lift is not tipping: it comes well before."


def _name(name: str) -> str:
    words = wheel_words(name)
    return words if len(words) <= 16 else words[:15] + "…"


def _kn(reaction_n: float | None) -> str:
    if reaction_n is None:
        return "overturns"
    return "open" if reaction_n == 0 else f"{reaction_n / 1000:.1f}"


def _at(slew_deg: float) -> str:
    return angle_words(slew_deg, digits=0)


def _wrapped(words: str, *, first: str, rest: str) -> list[str]:
    return textwrap.wrap(words, _WIDTH, initial_indent=first, subsequent_indent=rest)
