"""What the blocking and the asyncio client share: which calls there are, when to try
again, what was lost between two frame sets. No clock, thread, or socket."""

from __future__ import annotations

import dataclasses
import random
from typing import Any

from ._schema import new
from .frames import FrameSet, Gap


@dataclasses.dataclass(frozen=True)
class Backoff:
    """When a broken stream is tried again: exponentially, with jitter, so that many
    clients do not return at once."""

    #: Longest first wait, in seconds.
    initial: float = 0.1
    #: Longest wait, in seconds.
    maximum: float = 5.0
    #: By what the longest wait grows.
    factor: float = 2.0
    #: Tries in a row before the stream gives up with UnavailableError; None is never.
    give_up_after: int | None = None

    def __post_init__(self) -> None:
        if not (0 < self.initial <= self.maximum and self.factor >= 1):
            raise ValueError(f"{self}: give 0 < initial <= maximum and factor >= 1")
        if self.give_up_after is not None and self.give_up_after < 0:
            raise ValueError("give_up_after is below 0")

    def delay(self, tries: int, draw: float) -> float:
        """Returns how long to wait after that many tries that failed (1 and up), in
        seconds: between half of the step and all of it, by draw in 0 to 1."""
        step = self.initial
        for _ in range(tries - 1):
            step = min(step * self.factor, self.maximum)
            if step == self.maximum:
                break
        return step * (0.5 + 0.5 * draw)

    def over(self, tries: int) -> bool:
        """Whether to give up after that many tries that failed."""
        return self.give_up_after is not None and tries > self.give_up_after


#: A stream that ends with the first error.
NO_RECONNECT = Backoff(give_up_after=0)


def jitter() -> float:
    """Returns a number in 0 to 1. It need not be repeatable."""
    return random.random()


def codes(corrected: bool, square: bool) -> int:
    """Which codes to ask for, a value of facetd.v1.Codes."""
    return 3 if square else 2 if corrected else 1


@dataclasses.dataclass(frozen=True)
class StreamOptions:
    """What a stream of frame sets is asked for; checked when made."""

    tasks: tuple[str, ...] = ()
    chips: tuple[str, ...] = ()
    #: A value of facetd.v1.Codes.
    codes: int = 1
    max_rate_hz: float = 0.0
    #: "latest" or "queue".
    overflow: str = "latest"
    queue_length: int = 16

    def __post_init__(self) -> None:
        if self.overflow not in ("latest", "queue"):
            raise ValueError(f'overflow {self.overflow!r}: use "latest" or "queue"')
        for name in ("tasks", "chips"):
            if isinstance(getattr(self, name), str):
                raise ValueError(f"{name} is one string: give a list of names")

    @property
    def latest(self) -> bool:
        """Whether only the newest frame set of each task is of interest."""
        return self.overflow == "latest"

    def request(self) -> Any:
        """Returns the request."""
        return new(
            "StreamFrameSetsRequest",
            tasks=self.tasks,
            chips=self.chips,
            overflow=1 if self.latest else 2,
            queue_length=0 if self.latest else self.queue_length,
            codes=self.codes,
            max_rate_hz=self.max_rate_hz,
        )


@dataclasses.dataclass
class Arrival:
    """A message of a stream as it came in."""

    message: Any
    received_time_ns: int
    received_monotonic_ns: int
    #: Number of the connection, from 1, and the run of the daemon that it is to: when
    #: that daemon started, None where that is not known.
    connection: int
    run: int | None
    #: Dropped frame sets since the arrival before, by the daemon and by us.
    dropped: int = 0

    @property
    def task(self) -> str:
        """The task of the frame set."""
        return str(self.message.frame_set.task)


@dataclasses.dataclass
class _Seen:
    """What is kept of the last frame set of a task."""

    job: int
    release_bus_ns: int
    light_time_ns: int | None
    received_time_ns: int
    connection: int
    run: int | None


class GapTracker:
    """Finds what was lost before each frame set, from job numbers, bus times, the
    daemon's counts and the connection. Give it every set that is handed out, in order."""

    def __init__(self, decimated: bool) -> None:
        self._decimated = decimated
        self._seen: dict[str, _Seen] = {}

    def frame_set(self, a: Arrival) -> FrameSet:
        """Returns the frame set of an arrival, with its gap."""
        fs = FrameSet.of(a.message.frame_set, a.received_time_ns, a.received_monotonic_ns)
        last = self._seen.get(fs.task)
        self._seen[fs.task] = _Seen(fs.job, fs.release_bus_ns, fs.light_time_ns, fs.received_time_ns, a.connection, a.run)
        gap = self._gap(fs, last, a)
        return dataclasses.replace(fs, gap=gap) if gap else fs

    def _gap(self, fs: FrameSet, last: _Seen | None, a: Arrival) -> Gap | None:
        if last is None:
            # A task that is new to us began whenever it did: nothing was lost that we
            # know of, unless we hear that something was.
            return Gap(a.dropped, None, 0, False, None, None, None) if a.dropped else None
        reconnects = a.connection - last.connection
        new_run = reconnects > 0 and last.run is not None and a.run is not None and last.run != a.run
        restarted = new_run or fs.job <= last.job or fs.release_bus_ns < last.release_bus_ns
        missing: range | None = range(0 if restarted else last.job + 1, fs.job)
        if self._decimated:
            missing = None
        if not (a.dropped or missing or reconnects or restarted):
            return None
        if fs.light_time_ns is not None and last.light_time_ns is not None:
            host_gap = fs.light_time_ns - last.light_time_ns
        else:
            host_gap = fs.received_time_ns - last.received_time_ns
        return Gap(
            dropped=a.dropped,
            missing_jobs=missing,
            reconnects=reconnects,
            restarted=restarted,
            previous_job=last.job,
            bus_gap_ns=None if restarted else fs.release_bus_ns - last.release_bus_ns,
            host_gap_ns=host_gap,
        )


class Inbox:
    """What waits for the reader of a stream. Under "latest" the newest of each task
    waits, in the turn of the one it takes the place of, so that what a slow reader gets
    is never older than it must be; under "queue" one waits, and the connection behind
    it holds back the daemon, which then drops by its own policy. Dropped frame sets are
    counted. Not safe for use by several threads: the callers guard it."""

    def __init__(self, latest: bool) -> None:
        self._latest = latest
        self._waiting: dict[Any, Arrival] = {}
        self._carry = 0  # dropped, not yet told to the reader
        #: Frame sets that were dropped since the stream began, by daemon and client.
        self.dropped_total = 0
        #: Frame sets that max_rate_hz left out since the connection was made.
        self.decimated_total = 0

    @property
    def full(self) -> bool:
        """Whether put must wait."""
        return not self._latest and bool(self._waiting)

    def __len__(self) -> int:
        return len(self._waiting)

    def put(self, a: Arrival) -> None:
        """Adds an arrival; not when full."""
        self._carry += a.message.dropped
        self.dropped_total += a.message.dropped
        self.decimated_total = a.message.decimated_total
        key = a.task if self._latest else None
        if key in self._waiting:
            self._carry += 1
            self.dropped_total += 1
        self._waiting[key] = a

    def take(self) -> Arrival:
        """Returns what waits longest, with what was dropped since the one before it."""
        a = self._waiting.pop(next(iter(self._waiting)))
        a.dropped, self._carry = self._carry, 0
        return a
