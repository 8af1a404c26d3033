"""Registers that are asked for in even steps: one thread owns the line, asks, and stamps.

A question's time is taken before it is handed to the system and the answer's after its last
byte was there, so the reading was taken in between whatever the wires did. An answer that takes
longer than ``timeout`` is counted and is no reading: it could be off by any time. On a serial
line, where an answer carries no number, a late one could pass for the answer to the next
question; so after a silence the line must have been quiet for as long again.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from math import isfinite

import numpy as np

from logger.errors import FrameInvalid, SourceUnavailable
from logger.readings.pack import Pack
from logger.readings.polled_clock import exchange
from logger.readings.rig_file import Source as SourceTable
from logger.sources.arrival import Arrival, Clock, Put
from logger.sources.modbus_frames import DeviceRefused, Framing, NetworkFraming, SerialFraming
from logger.sources.modbus_link import Link, open_link
from logger.sources.outlet import Outlet
from logger.sources.poll_pacing import PollPacing
from logger.sources.quiet_port import QUIET_S, QuietPort
from logger.sources.register_questions import Question, questions_of
from logger.sources.silent_devices import SilentDevices

FIRST_RETRY_S = 0.1
LONGEST_RETRY_S = 0.5
MISSED_TOLD_EVERY_S = 10.0
_LISTEN_S = 0.1
_AFTER_A_BAD_ANSWER_S = 0.03
"""Longer than what a USB adapter holds back: the rest of a damaged answer must not be the next."""
_FORGOTTEN_AFTER_S = 0.6
"""Some devices wait half a second for another's answer and take the next question for it (those
by libmodbus): the question after one that nobody answered is asked again after that."""
_STOP_WITHIN_S = 8.0
_NUMBERS = 1 << 16


class ModbusPoller:
    """A source of registers.

    Args:
        source: its table in the rig file.
        quiet_s: how long no device may answer before the line is opened again, s; None for ever.
    """

    def __init__(self, source: SourceTable, *, quiet_s: float | None = QUIET_S) -> None:
        self._table = source
        self._place = source.url or source.port or ""
        self._quiet_s = quiet_s
        self._questions = questions_of(source.register_)
        self._refresh_ns = round(source.refresh_s * 1e9)
        self._number = 0
        self._silent_before: int | None = None
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None

    @property
    def id(self) -> str:
        """Id of the source in the rig file."""
        return self._table.id

    def start(self, put: Put, clock: Clock) -> None:
        """Opens the line and begins to ask.

        Raises:
            SourceUnavailable: where it can't be opened.
        """
        link = open_link(self._table)
        self._stopping.clear()
        outlet = Outlet(self.id, put, clock)
        self._thread = threading.Thread(
            target=self._run, args=(link, outlet), name=f"modbus {self.id}", daemon=True
        )
        self._thread.start()

    def stop(self) -> None:
        """Ends the thread and closes the line."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(_STOP_WITHIN_S)
            self._thread = None

    def _run(self, first: Link, outlet: Outlet) -> None:
        link: Link | None = first
        quiet = QuietPort(self._quiet_s, time.monotonic())
        silent = SilentDevices()
        while link is not None:
            lost = False
            try:
                self._poll(link, outlet, quiet, silent)
            except (OSError, TypeError) as exc:  # pyserial: TypeError where the port died under it
                outlet.note("lost", f"{self._place}: {exc}")
                lost = True
            finally:
                link.close()
            if not lost:
                quiet.opened_again(time.monotonic())
            link = self._reopened(outlet, lost=lost)
        outlet.flush(at_once=True)

    def _reopened(self, outlet: Outlet, *, lost: bool) -> Link | None:
        """The line once it is there again; None when it is time to stop."""
        retry_s = FIRST_RETRY_S
        while not self._stopping.wait(retry_s if lost else 0.0):
            outlet.flush()
            with suppress(SourceUnavailable):
                link = open_link(self._table)
                if lost:
                    outlet.note("back", f"{self._place} is open again")
                return link
            if not lost:
                outlet.note("lost", f"{self._place}: silent, and can't be opened again")
                lost = True
            retry_s = min(retry_s * 2, LONGEST_RETRY_S)
        return None

    def _poll(self, link: Link, outlet: Outlet, quiet: QuietPort, silent: SilentDevices) -> None:
        """Asks in even steps until it is time to stop or to open the line again."""
        framing: Framing = NetworkFraming() if link.numbered else SerialFraming()
        pacing = PollPacing(self._table.poll_s, time.monotonic())
        missed = _MissedPolls(outlet)
        while not self._stopping.wait(pacing.wait_s(time.monotonic())):
            began_s = time.monotonic()
            for question in self._questions:
                if not silent.is_due(question.device, time.monotonic()):
                    continue
                exchanged = _Exchange(link, framing, outlet, self._stopping)
                self._take(question, exchanged, quiet, silent)
                if self._stopping.is_set():
                    return
            now_s = time.monotonic()
            missed.count(pacing.asked(now_s), took_s=now_s - began_s, every_s=self._table.poll_s)
            outlet.flush()
            if quiet.is_overdue(now_s):
                return

    def _take(
        self, question: Question, exchanged: _Exchange, quiet: QuietPort, silent: SilentDevices
    ) -> None:
        """Asks one question and hands over what comes of it."""
        outlet, device = exchanged.outlet, question.device
        try:
            answer = self._ask(question, exchanged)
            if answer is None and self._silent_before not in (None, device):
                exchanged.link.fall_silent(_FORGOTTEN_AFTER_S)
                answer = self._ask(question, exchanged)
            self._silent_before = device if answer is None else None
        except DeviceRefused as exc:
            outlet.bad_frame(str(exc))
        except FrameInvalid as exc:
            outlet.bad_frame(str(exc))
            exchanged.link.fall_silent(_AFTER_A_BAD_ANSWER_S)
            if exchanged.link.numbered:
                raise ConnectionError(str(exc)) from exc  # no telling where the next frame begins
        else:
            if answer is None:
                self._note_silence(question, exchanged, silent)
                return
            self._hand_over(question, answer, exchanged)
        quiet.begin(time.monotonic())
        if silent.answered(device) and not silent.away:
            outlet.note("back", f"{self._place}: device {device} answers again")

    def _ask(self, question: Question, exchanged: _Exchange) -> Sequence[int] | None:
        self._number = (self._number + 1) % _NUMBERS
        return exchanged.ask(question, self._number, within_s=self._table.timeout_s)

    def _note_silence(
        self, question: Question, exchanged: _Exchange, silent: SilentDevices
    ) -> None:
        if self._stopping.is_set():
            return
        exchanged.outlet.bad_frame(
            f"no answer within {1000 * self._table.timeout_s:g} ms from {question}"
        )
        if silent.silent(question.device, time.monotonic()):
            text = f"{self._place}: device {question.device} does not answer"
            exchanged.outlet.note("lost", text)
        exchanged.link.fall_silent(self._table.timeout_s)

    def _hand_over(self, question: Question, answer: Sequence[int], exchanged: _Exchange) -> None:
        readings = dict(question.values(answer))
        for name in [n for n, value in readings.items() if not isfinite(value)]:
            exchanged.outlet.bad_frame(f"{name} is {readings.pop(name)}, no number")
        if not readings:
            return
        asked_ns, arrival_ns = exchanged.asked_ns - self._refresh_ns, exchanged.arrival_ns
        middle_ns = exchange(asked_ns=asked_ns, arrival_ns=arrival_ns).device_ns
        pack = Pack(
            names=tuple(readings),
            t_ns=np.full(len(readings), middle_ns - arrival_ns, dtype=np.int64),
            absolute=False,
            value=np.array(list(readings.values())),
        )
        arrival = Arrival(source=self.id, pack=pack, arrival_ns=arrival_ns, asked_ns=asked_ns)
        if not exchanged.outlet.offer(arrival):
            exchanged.outlet.count_lost(len(readings))


class _Exchange:
    """One question and its answer.

    Attributes:
        link: the line.
        outlet: where to hand over.
        asked_ns: when the question had not yet left, ns on the run's clock.
        arrival_ns: when the answer was there, ns on the run's clock.
    """

    def __init__(
        self, link: Link, framing: Framing, outlet: Outlet, stopping: threading.Event
    ) -> None:
        self.link = link
        self.outlet = outlet
        self.asked_ns = self.arrival_ns = 0
        self._framing = framing
        self._stopping = stopping

    def ask(self, question: Question, number: int, *, within_s: float) -> Sequence[int] | None:
        """Asks, and waits for the answer; None where none came in time, or it is time to stop.

        Raises:
            FrameInvalid: where what came is no answer, or came too late.
            OSError: where the line is lost.
        """
        frame = self._framing.question(question, number)
        self.link.clear()
        self.asked_ns, began_s = self.outlet.clock(), time.monotonic()
        self.link.send(frame)
        came = b""
        while not self._stopping.is_set():
            left_s = began_s + within_s - time.monotonic()
            if left_s <= 0:
                return None
            came += self.link.receive(min(left_s, _LISTEN_S))
            self.arrival_ns, took_s = self.outlet.clock(), time.monotonic() - began_s
            answer = self._framing.answer(came, question, number) if came else None
            if answer is not None:
                if took_s > within_s:
                    raise FrameInvalid(f"an answer after {1000 * took_s:.0f} ms from {question}")
                return answer
        return None


class _MissedPolls:
    """Counts steps that were missed, and tells of them now and then."""

    def __init__(self, outlet: Outlet) -> None:
        self._outlet = outlet
        self._missed = 0
        self._told_s = -MISSED_TOLD_EVERY_S

    def count(self, missed: int, *, took_s: float, every_s: float) -> None:
        """Counts; tells at most every ten seconds."""
        self._missed += missed
        now_s = time.monotonic()
        if self._missed and now_s - self._told_s >= MISSED_TOLD_EVERY_S:
            took, every = f"{1000 * took_s:.0f} ms", f"{1000 * every_s:g} ms"
            text = f"a round of questions took {took}; one is due every {every}"
            self._outlet.note("missed_polls", text, count=self._missed)
            self._missed, self._told_s = 0, now_s
