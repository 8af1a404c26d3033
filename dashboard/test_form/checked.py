"""A filled-in form held against what reads test files: the test, or every mistake at its field."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from dashboard.test_form.fields import Field, Group, form_fields
from dashboard.test_form.filled_in import Document, Filled, FormValues, filled_in
from dashboard.test_form.toml_text import WrittenText, read_document, written
from logger.readings.test_file import TestFile, read_test
from logger.readings.toml_file import Problem, problems_in

_LIMIT_KEY = re.compile(r"'(over|dead_band|on_delay|off_delay)'[:,] ?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Mistake:
    """What is wrong, and where in the form.

    Attributes:
        path: of the field, row or table.
        where: what that is called, in plain words.
        says: what stands there and what would do, one line.
    """

    path: str
    where: str
    says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedForm:
    """A form's document, its text, and what came of holding it against the models.

    Attributes:
        document: plain values.
        toml: the document as text.
        test: the test; None where there are mistakes.
        mistakes: all of them, in the form's order.
    """

    document: Document
    toml: WrittenText
    test: TestFile | None
    mistakes: tuple[Mistake, ...]


def check_form(values: FormValues, former: str, *, name: str = "test.toml") -> CheckedForm:
    """Checks a filled-in form.

    Args:
        values: what stands in it.
        former: the text that it was made from.
        name: the file's name, for errors.

    Raises:
        FileInvalid: where the former text is no TOML.
    """
    filled = filled_in(values, read_document(former, name=name))
    toml = written(former, filled)
    mistakes = [
        Mistake(path=path, where=where_words(path), says="this name stands there twice")
        for path in filled.repeated
    ]
    test = None
    try:
        TestFile.model_validate(filled.document)
    except ValidationError as exc:
        found = problems_in(exc, model=TestFile)
        mistakes += [_mistake(problem, filled) for problem in found]
    if not mistakes:
        test = read_test(toml.text, name=name)  # what will be saved, not what it was made from
    return CheckedForm(
        document=filled.document, toml=toml, test=test, mistakes=tuple(_in_order(mistakes))
    )


def where_words(path: str) -> str:
    """A path of the form in plain words: ``Test load, part 2: Mass``."""
    words: list[str] = []
    entries: tuple[Field | Group, ...] = form_fields()
    group: Group | None = None
    for step in path.split("/"):
        if step.isdecimal() and group is not None and group.kind in ("rows", "named"):
            words[-1] = f"{group.words.hint or group.words.label} {int(step) + 1}"
            continue
        entry = next((e for e in entries if e.key == step), None)
        if entry is None:
            words += [step.removeprefix("?")] if step.startswith("?") else []
            break
        words.append(entry.words.label)
        group = entry if isinstance(entry, Group) else None
        entries = group.entries if group else ()
    head, last = words[:-1], words[-1:] or ["Test file"]
    return ": ".join(filter(None, (", ".join(head), last[0])))


def _mistake(problem: Problem, filled: Filled) -> Mistake:
    path, says = _form_path(problem, filled), problem.what
    if problem.what == "is missing":
        says = "is missing"
    elif problem.would_do:
        # What a field shows can be repeated; a list or a table can't.
        plain = problem.unknown or _text_stands_at(filled.document, problem.path)
        says = f"{says}; {problem.would_do}" if plain else problem.would_do
    says = _LIMIT_KEY.sub("", says, count=1) if path.startswith("watch/") else says
    return Mistake(path=path, where=where_words(path), says=" ".join(says.split()))


def _text_stands_at(document: Document, path: tuple[str | int, ...]) -> bool:
    here: Any = document
    for step in path:
        try:
            here = here[step]
        except (LookupError, TypeError):
            return False
    return not isinstance(here, dict | list)


def _form_path(problem: Problem, filled: Filled) -> str:
    """Where in the form a document's path lies; rows left empty count in the form alone."""
    steps: list[str] = []
    for step in problem.path:
        here = "/".join(steps)
        places = filled.rows.get(here)
        if isinstance(step, int) and places is not None:
            steps.append(str(places[step][0]) if step < len(places) else str(step))
        elif here == "model/scales" and places is not None:
            names = list(filled.document["model"]["scales"])
            steps += [str(places[names.index(str(step))][0]), "mass"]
        else:
            steps.append(str(step))
    if problem.unknown:
        steps[-1] = f"?{steps[-1]}"
    if len(steps) == 2 and steps[0] == "watch" and not problem.unknown:
        key = _LIMIT_KEY.match(problem.would_do or problem.what)
        steps.append(key[1] if key else "over")
    return "/".join(steps)


def _in_order(mistakes: list[Mistake]) -> Iterator[Mistake]:
    """By table in the form's order; of one place the first, and none of what holds others.

    A list whose rows are refused is refused as too short as well.
    """
    paths = [mistake.path for mistake in mistakes]
    order = [group.key for group in form_fields()]
    seen: set[str] = set()

    def rank(mistake: Mistake) -> int:
        table = mistake.path.split("/")[0]
        return order.index(table) if table in order else len(order)

    for mistake in sorted(mistakes, key=rank):
        holds_others = any(p.startswith(f"{mistake.path}/") for p in paths)
        if mistake.path not in seen and not holds_others:
            seen.add(mistake.path)
            yield mistake
