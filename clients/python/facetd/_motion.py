"""What the streams of estimates of motion add to those of frame sets. No clock, thread, or socket."""

from __future__ import annotations

from typing import Any

from ._follow import Follower, StreamOptions
from ._lost import Arrival, Lost
from ._schema import new


class MotionFollower(Follower):
    """One stream of estimates over all of its connections; the newest of each task is of interest. The daemon does not
    resume one: the first pair of a connection spans what was missed, or says that there is a gap."""

    method = "MotionService/StreamMotion"
    what = "estimate of motion"

    def __init__(self, options: StreamOptions) -> None:
        super().__init__(options)
        self._before = self._dropped = 0

    @property
    def dropped_total(self) -> int:
        """Jobs of which no estimate came, since the stream began: dropped by the daemon and here, or lost before."""
        return self._before + self._dropped + self.inbox.dropped

    def grant(self, count: int) -> Any:
        return new("StreamMotionRequest", grant=new("MotionGrant", estimates=count))

    def _first(self, granted: int) -> Any:
        o = self._options
        start = new("MotionStart", tasks=o.tasks, chips=o.chips, overflow=1, heartbeat_interval=o.interval(), estimates=granted)
        return new("StreamMotionRequest", start=start)

    def _take(self, event: str, m: Any, time_ns: int, monotonic_ns: int) -> bool:
        if event == "begun":
            self._before, self._dropped = self._before + self._dropped, 0
        elif event == "delivery":
            self._dropped = m.delivery.dropped_total + m.delivery.frame_sets_lost_total
            self.inbox.put(Arrival(m.delivery.estimate, time_ns, monotonic_ns, Lost(None)))
        return event == "delivery"
