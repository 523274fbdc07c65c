"""The thread behind a blocking stream."""

from __future__ import annotations

import queue
import threading
import time
from typing import TYPE_CHECKING, Any

import grpc

from ._follow import Backoff, Follower, StreamOptions, jitter
from ._lost import Arrival
from .errors import DeadlineError, FacetdError, UnavailableError, from_rpc, retryable

if TYPE_CHECKING:
    from .client import Client


class Reader:
    """Receives from the daemon on a thread of its own what the reads of another grant, and
    connects again."""

    def __init__(self, client: Client, options: StreamOptions, backoff: Backoff, follower: type[Follower] = Follower) -> None:
        self._client = client
        self._options = options
        self._backoff = backoff
        self._changed = threading.Condition()  # guards all below
        self._follower = follower(options)
        self._closed = False
        self._opened = False
        self._silent = False  # the call was ended for the daemon's silence
        self._call: Any = None
        self._requests: queue.SimpleQueue[Any] = queue.SimpleQueue()  # of the call, ended by None
        self._end: FacetdError | None = None
        self.connected = False
        self.last_error: FacetdError | None = None
        self._thread = threading.Thread(target=self._run, name="facetd-stream", daemon=True)
        self._thread.start()

    @property
    def dropped(self) -> int:
        """Frame sets dropped since the stream began."""
        with self._changed:
            return self._follower.dropped_total

    def wait_open(self, timeout: float) -> None:
        """Returns once the daemon has taken the stream; raises why it did not."""
        with self._changed:
            done = self._changed.wait_for(lambda: self._opened or self._end or self._closed, timeout)
            if self._end and not self._opened:
                raise self._end
            if not done:
                raise self.last_error or DeadlineError("the stream was not opened in time", "DEADLINE_EXCEEDED")

    def take(self, until: float | None) -> Arrival | None:
        """Returns what waits longest; None when closed. Raises the error that ended the
        stream, and DeadlineError at that time of the monotonic clock."""
        with self._changed:
            arrival = None
            self._grant(self._follower.read(time.monotonic()))
            try:
                self._wait(until)
                if not self._closed and self._follower.inbox:
                    arrival = self._follower.take()
                elif not self._closed:
                    assert self._end is not None
                    raise self._end
            finally:
                if arrival is None:
                    self._grant(self._follower.leave(time.monotonic()))
            return arrival

    def _wait(self, until: float | None) -> None:
        """Waits for a frame set or the end; ends a call on which the daemon is silent."""
        while not (self._closed or self._follower.inbox or self._end):
            now, silent_at = time.monotonic(), self._follower.silent_at()
            if until is not None and now >= until:
                raise DeadlineError(f"no {self._follower.what} came in time", "DEADLINE_EXCEEDED")
            if silent_at is not None and now >= silent_at:
                self._silent = True
                self._follower.broken()
                if self._call is not None:
                    self._call.cancel()
                continue
            ends = [t for t in (until, silent_at) if t is not None]
            self._changed.wait(min(ends) - now if ends else None)

    def _grant(self, frame_sets: int) -> None:
        if frame_sets:
            self._requests.put(self._follower.grant(frame_sets))

    def close(self) -> None:
        """Ends the thread; it may be called from any thread, and again."""
        with self._changed:
            self._closed = True
            if self._call is not None:
                self._call.cancel()
            self._changed.notify_all()
        if self._thread is not threading.current_thread():
            self._thread.join(5)

    def _run(self) -> None:
        tries = 0
        while True:
            try:
                begun = self._read()
            except Exception as err:  # a fault of ours must reach the reader too
                return self._finish(err if isinstance(err, FacetdError) else FacetdError(f"{type(err).__name__}: {err}"))
            if begun is None:
                return
            tries = 1 if begun else tries + 1
            if self._backoff.over(tries):
                return self._finish(self.last_error)
            with self._changed:
                if self._changed.wait_for(lambda: self._closed, self._backoff.delay(tries, jitter())):
                    return

    def _finish(self, err: FacetdError | None) -> None:
        with self._changed:
            self._end = err
            self.connected = False
            self._changed.notify_all()

    def _read(self) -> bool | None:
        """Reads one connection to its end. Returns whether the stream began on it, and None
        when it is closed. Raises what trying again does not fix."""
        try:
            call = self._open()
            if call is None:
                return None
            for message in call:
                with self._changed:
                    if self._closed:
                        return None
                    if self._silent:  # too late: the call is being ended
                        continue
                    self._grant(self._follower.hear(message, time.monotonic(), time.time_ns(), time.monotonic_ns()))
                    self._opened = self.connected = True  # what is no beginning has raised
                    self._changed.notify_all()
            return self._lost(UnavailableError(f"the daemon at {self._client._endpoint.address} ended the stream", "UNAVAILABLE"), True)
        except grpc.RpcError as err:
            return self._lost(from_rpc(err, self._client._endpoint.address), retryable(err))
        finally:
            with self._changed:
                self._follower.broken()
                self._requests.put(None)
                if self._call is not None:
                    self._call.cancel()
                    self._call = None

    def _open(self) -> Any:
        """Begins a call; None when the stream is closed."""
        method, metadata = self._client._method(self._follower.method), self._client._endpoint.metadata()
        with self._changed:
            if self._closed:
                return None
            self._silent = False
            self._requests = queue.SimpleQueue()
            self._requests.put(self._follower.start(time.monotonic()))
            self._call = method(iter(self._requests.get, None), metadata=metadata)
            self._changed.notify_all()  # a read that waits looks at the time
            return self._call

    def _lost(self, err: FacetdError, again: bool) -> bool | None:
        """Tells why a connection ended; returns as _read. Raises err when it is not to be
        made again."""
        with self._changed:
            begun, self.connected = self.connected, False
            if self._closed:
                return None
            if self._silent:
                message = f"nothing was heard of the daemon at {self._client._endpoint.address} for {self._options.silence:g} s"
                err, again = UnavailableError(message, "UNAVAILABLE"), True
            self.last_error = err
            # The first connection fails at once, unless it had been made.
            if not (again and self._opened):
                raise err from None
            return begun
