"""What the blocking and the asyncio client share of a stream: what is asked for, when to
try again, and what is granted to the daemon and when. No clock, thread, or socket."""

from __future__ import annotations

import dataclasses
import random
from typing import Any

from ._schema import new
from ._lost import Arrival, Inbox, Places


@dataclasses.dataclass(frozen=True)
class Backoff:
    """When a broken stream is tried again: exponentially, with jitter, so that many
    clients do not return at once."""

    #: Longest first wait, in seconds.
    initial: float = 0.1
    #: Longest wait, in seconds.
    maximum: float = 0.5
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


#: Heartbeat intervals without a word after which the daemon counts as gone.
SILENCES = 3
#: Most frame sets under "queue" that are granted ahead of the reads.
MAX_WINDOW = 16

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
    #: Seconds after which a daemon that has nothing to send says so.
    heartbeat: float = 1.0

    def __post_init__(self) -> None:
        if self.overflow not in ("latest", "queue"):
            raise ValueError(f'overflow {self.overflow!r}: use "latest" or "queue"')
        if not 1 <= self.queue_length <= 1024:
            raise ValueError(f"queue_length {self.queue_length}: give 1 to 1024")
        if not 0.05 <= self.heartbeat <= 3600:
            raise ValueError(f"heartbeat {self.heartbeat}: give 0.05 to 3600 seconds")
        for name in ("tasks", "chips"):
            if isinstance(getattr(self, name), str):
                raise ValueError(f"{name} is one string: give a list of names")

    @property
    def latest(self) -> bool:
        """Whether only the newest frame set of each task is of interest."""
        return self.overflow == "latest"

    @property
    def window(self) -> int:
        """Frame sets that may be on their way or wait in the client."""
        return 1 if self.latest else min(self.queue_length, MAX_WINDOW)

    @property
    def silence(self) -> float:
        """Seconds without a word after which the daemon counts as gone."""
        return SILENCES * self.heartbeat

    def interval(self) -> Any:
        """Returns the heartbeat interval as a message."""
        whole, rest = divmod(round(self.heartbeat * 10**9), 10**9)
        return new("google.protobuf.Duration", seconds=whole, nanos=rest)

    def start(self, instance: str, after: list[Any], granted: int) -> Any:
        """Returns the request that begins a stream, where the one before ended."""
        start = new(
            "FollowStart",
            selection=new("FrameSelection", tasks=self.tasks, chips=self.chips, codes=self.codes),
            overflow=1 if self.latest else 2,
            queue_length=0 if self.latest else self.queue_length,
            max_rate_hz=self.max_rate_hz,
            heartbeat_interval=self.interval(),
            frame_sets=granted,
            instance_id=instance,
            after=after,
        )
        return new("FollowFrameSetsRequest", start=start)


class Follower:
    """One stream over all of its connections. It says how many frame sets to grant, keeps
    what came until it is read, and knows when the daemon has been silent for too long. Not
    safe for use by several threads: the callers guard it. Times are monotonic seconds.

    Under "latest" a frame set is granted by the read that waits for it, so that none is on
    its way while nobody reads. Only a read that ends without one, by its time limit, leaves
    its grant behind: what comes then waits here, and makes way for a newer one that is
    granted as it comes, until a read has waited for its frame set again. Under "queue" a few
    are granted ahead of the reads, which take all in order.
    """

    #: The method of the schema, and what it brings.
    method = "FrameService/FollowFrameSets"
    what = "frame set"

    def __init__(self, options: StreamOptions) -> None:
        self._options = options
        self._places = Places(options.max_rate_hz > 0)
        self.inbox = Inbox(options.latest)
        self._connected = False
        self._begun = False
        self._granted = 0
        self._since: float | None = None  # when the daemon was heard last, or was to answer
        self._reading = self._waited = self._polled = False

    @property
    def dropped_total(self) -> int:
        """Frame sets dropped since the stream began, by the daemon and here."""
        return self._places.dropped_total + self.inbox.dropped

    def start(self, now: float) -> Any:
        """Returns the first request of a new connection."""
        self._connected, self._begun, self._granted = True, False, 0
        granted = self._due(now)
        self._since = now
        return self._first(granted)

    def grant(self, count: int) -> Any:
        """Returns the request that lets the daemon send more."""
        return new("FollowFrameSetsRequest", grant=new("FollowGrant", frame_sets=count))

    def _first(self, granted: int) -> Any:
        return self._options.start(self._places.instance, self._places.positions(), granted)

    def broken(self) -> None:
        """The connection has ended."""
        self._connected, self._begun, self._granted, self._since = False, False, 0, None

    def hear(self, m: Any, now: float, time_ns: int, monotonic_ns: int) -> int:
        """Takes what the daemon sent; returns how many frame sets to grant. Raises
        ValueError where it is not what may come."""
        event = m.WhichOneof("event")
        if self._begun == (event == "begun"):
            raise ValueError(f"the daemon's stream holds {event or 'nothing'} where that cannot be")
        self._since = now
        self._begun = True
        if self._take(event, m, time_ns, monotonic_ns):
            self._granted -= 1
        return self._due(now)

    def _take(self, event: str, m: Any, time_ns: int, monotonic_ns: int) -> bool:
        """Takes what the daemon sent; returns whether it is one of those that are granted."""
        if event == "begun":
            self._places.begun(m.begun)
        elif event == "delivery":
            self.inbox.put(Arrival(m.delivery.frame_set, time_ns, monotonic_ns, self._places.lost(m.delivery), self._places.host_boot))
        elif event == "task_notice":
            self._places.notice(m.task_notice)
        return event == "delivery"

    def read(self, now: float) -> int:
        """A read begins; returns how many frame sets to grant."""
        self._reading, self._waited = True, not self.inbox
        return self._due(now)

    def take(self) -> Arrival:
        """Ends a read with what waits longest; there must be something."""
        if self._waited:
            self._polled = False
        self._reading = False
        return self.inbox.take()

    def leave(self, now: float) -> int:
        """Ends a read without a frame set; returns how many to grant."""
        self._reading, self._polled = False, self._options.latest
        return self._due(now)

    def silent_at(self) -> float | None:
        """Until when the daemon must say something; None while it need not."""
        if self._since is None or (self._begun and not self._granted):
            return None
        return self._since + self._options.silence

    def _due(self, now: float) -> int:
        """Counts what is to be granted now as granted."""
        room = self._options.window - self._granted
        if not self._connected:
            return 0
        if not self._options.latest:
            room -= len(self.inbox)
            # Several at a time: each grant is a message of its own.
            due = room if self._reading and 2 * room >= self._options.window else 0
        elif self._reading:
            due = room if not self.inbox else 0
        else:
            due = room if self._polled else 0
        if due and not self._granted:
            self._since = now
        self._granted += due
        return due
