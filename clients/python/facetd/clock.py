"""When something happened on the bus by this host's clock, on whichever machine the daemon is."""

from __future__ import annotations

import math
import threading
import time
from typing import Any

from ._clock import Remote, Trip
from .frames import FrameSet

#: How many times Client.clock asks: the best of a few is much better than the first.
FIRST_TRIPS = 4


class Clock:
    """The clock of the daemon's host, known here within a bound: neither a difference of the two
    machines' UTC nor a setting of it matters. Make one with Client.clock, and let it be asked again
    (ask_clock) about once a second. Its methods may be called from any thread.

    This host's clock is here the one that goes on while it sleeps, where it has one: see now.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._remote = Remote()
        self._boot: str | None = None

    @staticmethod
    def now() -> int:
        """Returns this host's clock in nanoseconds: CLOCK_BOOTTIME, or the monotonic one."""
        boot_time = getattr(time, "CLOCK_BOOTTIME", None)
        return time.monotonic_ns() if boot_time is None else time.clock_gettime_ns(boot_time)

    def _answered(self, sent: int, answer: Any) -> None:
        received, c, boot = self.now(), answer.clock, answer.identity.host_boot_id
        with self._lock:
            if boot != self._boot:  # another start of the host, or another host
                self._remote, self._boot = Remote(), boot
            self._remote.add(Trip(sent - c.uncertainty_ns, received + c.uncertainty_ns, c.monotonic_ns))

    def time(self, monotonic_ns: int) -> tuple[int, int]:
        """Returns when, by now(), the clock of the daemon's host showed a reading, such as
        Frame.light_monotonic_ns, and how far that may be off as long as the rates of the two clocks
        differ by no more than 200 ppm; both in nanoseconds. ValueError before the first answer."""
        with self._lock:
            return self._remote.at(monotonic_ns)

    def age(self, fs: FrameSet) -> float:
        """Returns how old the oldest light of a set may be by now in seconds, with all that is
        uncertain about it. Infinite for a set without frames, of another boot of the daemon's host,
        or whose light would lie in the future."""
        if not fs.frames or fs.host_boot_id != self._boot:
            return math.inf
        now, oldest = self.now(), 0
        for f in fs.frames:
            if f.light_monotonic_ns is None:
                return math.inf
            at, off = self.time(f.light_monotonic_ns)
            age = now - at + off + f.time_uncertainty_ns
            if age < 0:
                return math.inf
            oldest = max(oldest, age)
        return oldest / 1e9
