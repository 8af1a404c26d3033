"""The computer's wall clock watched beside its monotonic one: pairs, steps, suspensions.

The run's times are the monotonic clock's, which nobody sets. The wall clock ties them to UTC,
and may be set at any moment: by a person, by a time server, by a battery that failed. So a
pair of both is kept each second, and the last before and the first after a step, so that each
stretch of the run has its own tie. Summer time is no step: UTC does not know it.

While the computer is suspended the monotonic clock stands (on Linux and macOS) and no sensor
is heard; the boot clock goes on and tells for how long. Where there is none, a wall clock that
jumps ahead is taken for it, which a clock that was set ahead looks like too.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import NamedTuple, TypeAlias

from logger.operating_system import boot_clock_number
from logger.recording.header import Gap
from logger.sources.arrival import Clock

WallPair: TypeAlias = tuple[int, int]
"""A moment on the run's clock, ns, and in UTC, ns since 1970."""

PAIR_EVERY_NS = 1_000_000_000

STEP_NS = 5_000_000
"""A smaller jump is no step: a reading of both clocks may be that far apart on a busy computer."""

SLEW_SHARE = 1e-3
"""How fast a clock may be slewed without a step: the kernel's limit is 500 ppm (adjtimex(2)),
and a temporary slewing by adjtime(3) adds as much (both from memory)."""

SOURCE = "computer"
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_LOOKS = 4


class WallNews(NamedTuple):
    """What a look at the clocks brought.

    Attributes:
        pairs: moments on both clocks to keep.
        gaps: steps and suspensions.
    """

    pairs: list[WallPair]
    gaps: list[Gap]


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockLook:
    """One look at the clocks, all at once.

    Attributes:
        t_ns: the run's clock, ns.
        utc_ns: the wall clock, ns since 1970.
        boot_ns: the clock that goes on while the computer is suspended, ns; None without one.
        unsure_ns: how far apart the readings may be, ns of wall time.
    """

    t_ns: int
    utc_ns: int
    boot_ns: int | None
    unsure_ns: int = 0


@dataclass(slots=True, kw_only=True)
class WallSteps:
    """Finds steps and suspensions between looks; no clock of its own.

    Attributes:
        clock_rate: run seconds in a second of wall time.
        resolution_ns: of the coarsest clock, ns.
    """

    clock_rate: float = 1.0
    resolution_ns: int = 0
    _last: ClockLook | None = field(default=None, init=False)
    _paired_ns: int = field(default=0, init=False)

    def take(self, look: ClockLook) -> WallNews:
        """What a look shows against the one before; looks in order of time."""
        last, self._last = self._last, look
        if last is None:
            return self._keep(look, [])
        news = self._keep(look, []) if self._due(look) else WallNews([], [])
        passed_ns = round((look.t_ns - last.t_ns) / self.clock_rate)
        limit_ns = (
            STEP_NS
            + 2 * self.resolution_ns
            + max(look.unsure_ns, last.unsure_ns)
            + round(SLEW_SHARE * passed_ns)
        )
        jump_ns = look.utc_ns - last.utc_ns - passed_ns
        suspended_ns = 0
        if look.boot_ns is not None and last.boot_ns is not None:
            suspended_ns = look.boot_ns - last.boot_ns - passed_ns
        if suspended_ns > limit_ns:
            news.gaps.append(_suspended(look, suspended_ns))
            jump_ns -= suspended_ns
        if abs(jump_ns) > limit_ns:
            ahead = look.boot_ns is None and jump_ns > 0
            news.gaps.append(
                _suspended(look, jump_ns, sure=False) if ahead else _step(look, jump_ns=jump_ns)
            )
        return self._keep(look, news.gaps, before=last) if news.gaps else news

    def _due(self, look: ClockLook) -> bool:
        return look.t_ns - self._paired_ns >= PAIR_EVERY_NS * self.clock_rate

    def _keep(
        self, look: ClockLook, gaps: list[Gap], *, before: ClockLook | None = None
    ) -> WallNews:
        self._paired_ns = look.t_ns
        looks = [look] if before is None else [before, look]
        return WallNews([(held.t_ns, held.utc_ns) for held in looks], gaps)


def boot_clock() -> Callable[[], int] | None:
    """This computer's clock that goes on while it is suspended; None where there is none."""
    number = boot_clock_number()
    if sys.platform == "win32" or number is None:
        return None
    return lambda: time.clock_gettime_ns(number)


class WallWatch:
    """Watches the computer's clocks; call :meth:`look` some ten times a second.

    Args:
        clock: the run's clock.
        wall: tells UTC, ns since 1970.
        boottime: the clock that goes on while the computer is suspended; by default this
            computer's, None where there is none.
        clock_rate: run seconds in a second of wall time.
    """

    def __init__(
        self,
        clock: Clock,
        *,
        wall: Callable[[], int] = time.time_ns,
        boottime: Callable[[], int] | None = boot_clock(),  # noqa: B008 - the computer's, for good
        clock_rate: float = 1.0,
    ) -> None:
        self._clock, self._wall, self._boottime = clock, wall, boottime
        self._clock_rate = clock_rate
        coarsest_s = max(time.get_clock_info(name).resolution for name in ("time", "monotonic"))
        self._steps = WallSteps(clock_rate=clock_rate, resolution_ns=round(coarsest_s * 1e9))

    def look(self) -> WallNews:
        """Looks at the clocks: a pair each second, and at once what is amiss."""
        # The promptest of a few: a thread that is put aside between two readings sees a step.
        return self._steps.take(min((self._read() for _ in range(_LOOKS)), key=_unsure_ns))

    def _read(self) -> ClockLook:
        before_ns = self._clock()
        utc_ns = self._wall()
        boot_ns = None if self._boottime is None else self._boottime()
        after_ns = self._clock()
        return ClockLook(
            t_ns=(before_ns + after_ns) // 2,
            utc_ns=utc_ns,
            boot_ns=boot_ns,
            unsure_ns=round((after_ns - before_ns) / self._clock_rate),
        )


def _unsure_ns(look: ClockLook) -> int:
    return look.unsure_ns


def _suspended(look: ClockLook, duration_ns: int, *, sure: bool = True) -> Gap:
    text = f"the computer was suspended for {duration_ns / 1e9:.1f} s: no reading was taken"
    if not sure:
        text += " (or its clock was set ahead; this system can't tell the two apart)"
    return Gap(t_ns=look.t_ns, source=SOURCE, kind="suspended", duration_ns=duration_ns, text=text)


def _step(look: ClockLook, *, jump_ns: int) -> Gap:
    text = (
        f"the computer's clock was set from {_utc(look.utc_ns - jump_ns)} to {_utc(look.utc_ns)} "
        f"({jump_ns / 1e9:+.3f} s); the run's times are not touched"
    )
    return Gap(
        t_ns=look.t_ns, source=SOURCE, kind="clock_step", duration_ns=abs(jump_ns), text=text
    )


def _utc(utc_ns: int) -> str:
    try:
        moment = _EPOCH + timedelta(microseconds=utc_ns // 1000)
    except OverflowError:
        return f"{utc_ns / 1e9:.3f} s since 1970"
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{moment.microsecond // 1000:03d}Z"
