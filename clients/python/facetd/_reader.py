"""The thread behind a blocking stream."""

from __future__ import annotations

import threading
import time
from typing import TYPE_CHECKING, Any

import grpc

from . import _calls
from ._follow import Arrival, Backoff, Inbox, jitter
from .errors import DeadlineError, FacetdError, from_rpc, retryable

if TYPE_CHECKING:
    from .client import Client


class Reader:
    """Fills an inbox from the daemon on a thread of its own, and connects again."""

    def __init__(self, client: Client, request: Any, inbox: Inbox, backoff: Backoff) -> None:
        self._client = client
        self._request = request
        self._inbox = inbox
        self._backoff = backoff
        self._changed = threading.Condition()  # guards all below, and the inbox
        self._closed = False
        self._opened = False
        self._connections = 0
        self._call: Any = None
        self._end: FacetdError | None = None
        self.connected = False
        self.last_error: FacetdError | None = None
        self._thread = threading.Thread(target=self._run, name="facetd-stream", daemon=True)
        self._thread.start()

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
            left = None if until is None else max(0.0, until - time.monotonic())
            if not self._changed.wait_for(lambda: self._closed or len(self._inbox) or self._end, left):
                raise DeadlineError("no frame set came in time", "DEADLINE_EXCEEDED")
            if self._closed:
                return None
            if not len(self._inbox):
                assert self._end is not None
                raise self._end
            arrival = self._inbox.take()
            self._changed.notify_all()
            return arrival

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
                received = self._read()
            except Exception as err:  # a fault of ours must reach the reader too
                return self._finish(err if isinstance(err, FacetdError) else FacetdError(f"{type(err).__name__}: {err}"))
            if received is None:
                return
            tries = 1 if received else tries + 1
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
        """Reads one connection to its end. Returns whether anything came, and None when
        the stream is closed. Raises what trying again does not fix."""
        received = False
        try:
            with self._changed:
                if self._closed:
                    return None
            call = self._client._method("FrameService/StreamFrameSets")(self._request, metadata=self._client._endpoint.metadata())
            with self._changed:
                self._call = call
                if self._closed:
                    call.cancel()
            call.initial_metadata()  # comes once the stream is subscribed
            run = self._run_of_daemon() if call.is_active() else None
            # One that was refused has metadata too, and is not active any more; one that
            # ended soon may have messages all the same.
            opened = False
            if call.is_active():
                opened = self._open()
            for message in call:
                opened = opened or self._open()
                arrival = Arrival(message, time.time_ns(), time.monotonic_ns(), self._connections, run)
                received = True
                with self._changed:
                    self._changed.wait_for(lambda: self._closed or not self._inbox.full)
                    if self._closed:
                        return None
                    self._inbox.put(arrival)
                    self._changed.notify_all()
            raise FacetdError("the daemon ended the stream without a reason")
        except grpc.RpcError as err:
            with self._changed:
                self.connected = False
                if self._closed:
                    return None
                self.last_error = from_rpc(err, self._client._endpoint.address)
            # The first connection fails at once, unless it had been made.
            if not self._opened or not retryable(err):
                raise self.last_error from None
            return received

    def _open(self) -> bool:
        with self._changed:
            self._opened = self.connected = True
            self._connections += 1
            self._changed.notify_all()
        return True

    def _run_of_daemon(self) -> int | None:
        """Returns when the daemon started, which tells its runs apart; None when it does
        not say."""
        try:
            return self._client._run(_calls.status(), 5.0).start_time_ns
        except FacetdError:
            return None
