"""The guide: asks a person for one thing at a time, watches, and says at once what it saw.

The person is often alone and at the wheel, not at the keyboard, so a watched step ends by itself
as soon as what was asked for has happened, with a bell. Enter ends it before; every step can be
skipped, and one that failed done once more.
"""

from __future__ import annotations

import os
import queue
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from logger.live.check.listening import Heard, Listener
from logger.live.check.steps import (
    STILL_S,
    HeardBy,
    Judgement,
    Outcome,
    Step,
    Way,
)

WATCH_AT_MOST_S = 600.0
SKIPPED = "skipped"
NOBODY = "nobody answered"
LOOK_BACK_NS = 300_000_000
"""A watch begins this much earlier, ns, to know from what state the person starts."""

_TURN_S = 0.2
_READ_BYTES = 4096
_SIGNS = {Outcome.PASSED: "+ ok", Outcome.CAUTION: "! caution", Outcome.FAILED: "x NOT READY"}


class AnswersEnded(Exception):
    """Standard input has ended."""


class Answers:
    """Lines that a person types, taken by a thread so that waiting for them never blocks.

    Args:
        descriptor: file descriptor of standard input.
    """

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._lines: queue.Queue[str | None] = queue.Queue()
        self.is_terminal = os.isatty(descriptor)
        # A daemon, and no buffered reader: it may still wait in its read when the program ends.
        threading.Thread(target=self._read, name="answers", daemon=True).start()

    def next(self, *, timeout_s: float | None = None) -> str | None:
        """The next line, without blanks around it; None where none came in time.

        Raises:
            AnswersEnded: where no more will come.
        """
        try:
            line = self._lines.get(timeout=timeout_s)
        except queue.Empty:
            return None
        if line is None:
            self._lines.put(None)
            raise AnswersEnded
        return line.strip()

    def forget_typed_ahead(self) -> None:
        """Drops what a person typed before they were asked; a file of answers keeps its lines."""
        while self.is_terminal:
            try:
                line = self._lines.get_nowait()
            except queue.Empty:
                return
            if line is None:
                self._lines.put(None)
                return

    def _read(self) -> None:
        rest = b""
        while True:
            try:
                chunk = os.read(self._descriptor, _READ_BYTES)
            except OSError:
                chunk = b""
            if not chunk:
                if rest:
                    self._lines.put(rest.decode("utf-8", errors="replace"))
                self._lines.put(None)
                return
            *whole, rest = (rest + chunk).split(b"\n")
            for line in whole:
                self._lines.put(line.decode("utf-8", errors="replace"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """A step and how it ended.

    Attributes:
        step: the step.
        judgement: None where it was not exercised.
        why: why not; empty where it was.
    """

    step: Step
    judgement: Judgement | None = None
    why: str = ""

    @property
    def outcome(self) -> Outcome:
        """How it ended."""
        return Outcome.NOT_EXERCISED if self.judgement is None else self.judgement.outcome


class Guide:
    """Leads a person through steps.

    Args:
        listener: hears what the sensors say meanwhile.
        answers: what the person types.
        say: shows them a line.
    """

    def __init__(self, listener: Listener, answers: Answers, say: Callable[[str], None]) -> None:
        self._listener = listener
        self._answers = answers
        self._say = say
        self._left = ""

    def lead(self, steps: Sequence[Step]) -> list[Done]:
        """Carries the steps out, each until it ended or was skipped."""
        if not steps:
            return []
        self._say("One step at a time. Enter: go on; s: skip this step; q: skip all that are left.")
        done: list[Done] = []
        for number, step in enumerate(steps, 1):
            unmended = [d.step.title for d in done if _failed(d) and d.step.name == step.needs]
            if self._left:
                done.append(Done(step=step, why=self._left))
                continue
            self._say(f"\nStep {number} of {len(steps)}: {step.title}")
            if unmended:
                done.append(Done(step=step, why=f"first mend: {unmended[0]}"))
                self._say(f"  - left out; {done[-1].why}")
            else:
                self._say(f"  {step.to_do}")
                done.append(self._carry_out(step))
        return done

    def _carry_out(self, step: Step) -> Done:
        while True:
            try:
                judgement = self._watch(step) if step.way is Way.WATCH else self._measure(step)
            except _Skipped:
                self._say("  - skipped")
                return Done(step=step, why=SKIPPED)
            except (_Left, AnswersEnded) as exc:
                self._left = NOBODY if isinstance(exc, AnswersEnded) else SKIPPED
                return Done(step=step, why=self._left)
            self._tell(judgement)
            if judgement.outcome is Outcome.PASSED or not self._again():
                return Done(step=step, judgement=judgement)

    def _tell(self, judgement: Judgement) -> None:
        # A finding may say the same and more.
        headline = max(
            (f.text for f in judgement.findings if f.text.startswith(judgement.text)),
            key=len,
            default=judgement.text,
        )
        self._say(f"  {_SIGNS[judgement.outcome]}: {headline}")
        for finding in judgement.findings:
            if finding.text != headline:
                self._say(f"    {finding.text}")
            self._say(f"    What would do: {finding.would_do}")

    def _again(self) -> bool:
        try:
            return self._ask("  Enter: go on; r: once more > ").lower() == "r"
        except _Skipped:
            return False
        except (_Left, AnswersEnded) as exc:
            self._left = NOBODY if isinstance(exc, AnswersEnded) else SKIPPED
            return False

    def _watch(self, step: Step) -> Judgement:
        self._answers.forget_typed_ahead()
        since_ns = self._listener.clock() - LOOK_BACK_NS
        self._say("  Watching. It ends by itself; Enter ends it now; s: skip > ")
        while self._listener.clock() - since_ns < WATCH_AT_MOST_S * 1e9:
            line = self._answers.next(timeout_s=_TURN_S)
            if line is not None:
                _heed(line)
                break
            if step.is_seen(self._heard(step, since_ns), now_ns=self._listener.clock()):
                self._say("\a" if self._answers.is_terminal else "")
                break
        return step.judge(self._heard(step, since_ns))

    def _measure(self, step: Step) -> Judgement:
        answer = self._quantity(step) if step.asks_for else ""
        self._ask("  Enter when it is still; s: skip > ")
        since_ns = self._listener.clock()
        self._say(f"  Measuring for {STILL_S:g} s …")
        while self._listener.clock() - since_ns < STILL_S * 1e9:
            threading.Event().wait(_TURN_S)
        return step.judge(self._heard(step, since_ns), answer=answer)

    def _quantity(self, step: Step) -> str:
        while True:
            text = self._ask(f"  {step.asks_for} > ")
            try:
                step.read_answer(text)
            except ValueError as exc:
                self._say(f"  {text!r} won't do: {exc}")
            else:
                return text

    def _ask(self, prompt: str) -> str:
        self._answers.forget_typed_ahead()
        self._say(prompt)
        while (line := self._answers.next(timeout_s=_TURN_S)) is None:
            pass
        _heed(line)
        return line

    def _heard(self, step: Step, since_ns: int) -> HeardBy:
        heard: dict[str, Heard] = {
            c: self._listener.heard(c, since_ns=since_ns) for c in step.listens_to
        }
        return heard


def _failed(done: Done) -> bool:
    return done.outcome is Outcome.FAILED


class _Skipped(Exception):
    """This step is left out."""


class _Left(Exception):
    """All steps that are left are left out."""


def _heed(line: str) -> None:
    if line.lower() == "s":
        raise _Skipped
    if line.lower() == "q":
        raise _Left
