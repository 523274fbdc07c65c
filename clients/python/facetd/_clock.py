"""The clock of the daemon's host, known here within a bound that holds."""

from __future__ import annotations

import dataclasses
import math

#: By how much the rates of two clocks may differ: crystals of 100 ppm each, the worst of those
#: that are in use (common practice, no source).
DRIFT = 200e-6
#: How many round trips bound the other clock, and how many in a row that agree with each other and
#: not with those before are believed.
KEPT, BELIEVED = 32, 3


@dataclasses.dataclass(frozen=True)
class Trip:
    """One question for what another clock shows, in nanoseconds of the two clocks."""

    sent: int
    received: int
    remote: int

    def bound(self, remote: int) -> tuple[int, int]:
        """What it says of the own clock when the other one shows remote."""
        apart = remote - self.remote
        spread = math.ceil(abs(apart) * DRIFT)
        return self.sent + apart - spread, self.received + apart + spread


def _meet(trips: list[Trip], remote: int) -> tuple[int, int]:
    """What all trips say of the own clock; the first is above the second where they contradict each other."""
    bounds = [t.bound(remote) for t in trips]
    return max(low for low, _ in bounds), min(high for _, high in bounds)


class Remote:
    """What is known of another clock: what it showed, it showed between the sending of the question and the receipt
    of the answer, and all such bounds together leave less than the best of them."""

    def __init__(self) -> None:
        self._trips: list[Trip] = []
        self._aside: list[Trip] = []

    def add(self, trip: Trip) -> None:
        """Takes a trip into account. A clock that was set is believed at the third trip that says so."""
        if self._agrees(self._trips, trip):
            self._aside = []
            self._trips.append(trip)
            if len(self._trips) > KEPT:
                self._trips.remove(max(self._trips, key=lambda t: t.bound(trip.remote)[1] - t.bound(trip.remote)[0]))
            return
        if not self._agrees(self._aside, trip):
            self._aside = []
        self._aside.append(trip)
        if len(self._aside) >= BELIEVED:
            self._trips, self._aside = self._aside, []

    @staticmethod
    def _agrees(trips: list[Trip], trip: Trip) -> bool:
        low, high = _meet([*trips, trip], trip.remote)
        return low <= high

    def at(self, remote: int) -> tuple[int, int]:
        """Returns what the own clock shows when the other one shows remote, and how far that may be off; with nothing
        known ValueError."""
        if not self._trips:
            raise ValueError("nothing is known of the other clock yet")
        low, high = _meet(self._trips, remote)
        return (low + high) // 2, (high - low + 1) // 2 + 1
