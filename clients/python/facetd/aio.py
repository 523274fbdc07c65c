"""The asyncio client: the same calls and shapes as the blocking one, awaited.

    async with facetd.aio.connect("127.0.0.1:7660") as client:
        async with client.stream(tasks=["bed"]) as stream:
            async for frame_set in stream:
                ...
"""

from __future__ import annotations

import asyncio
import os
import time
import weakref
from collections.abc import AsyncIterator, Mapping, Sequence
from types import TracebackType
from typing import Any, Generic, TypeVar

import grpc
import grpc.aio

from . import _calls
from ._calls import Call
from ._channel import TLS, Endpoint, Token
from ._follow import Backoff, Follower, StreamOptions, codes, jitter
from ._lost import Arrival, GapTracker
from ._motion import MotionFollower
from ._recordings import PAUSE, Download
from ._schema import schema
from .array import Array
from .clock import FIRST_TRIPS, Clock
from .enums import EventKind, Register, Severity, Strobe
from .errors import CancelledError, DeadlineError, FacetdError, UnavailableError, from_rpc, retryable
from .events import Event, Recording, SafeStop, Sent, Status
from .frames import Capture, CaptureWait, FrameSet
from .motion import MotionEstimate
from .plan import Plan
from .task import Applied, Parameters, ParametersSet, RunningTask, Target, Task, Triggered, Update, View, changes_message

T = TypeVar("T")
S = TypeVar("S", FrameSet, MotionEstimate)
R = TypeVar("R", bound="_Arrivals[Any]")


class connect:
    """Connects to a daemon and makes sure that it answers; arguments and errors as of
    facetd.connect. Use it as ``async with``, or await it and close the client."""

    def __init__(
        self,
        address: str = "127.0.0.1:7660",
        *,
        token: Token | None = None,
        tls: TLS | None = None,
        timeout: float = 10.0,
        connect_timeout: float = 5.0,
    ) -> None:
        self._endpoint = Endpoint(address, token, tls)
        self._timeout = timeout
        self._connect_timeout = connect_timeout
        self._client: Client | None = None

    async def _open(self) -> Client:
        client = Client(self._endpoint, self._timeout)
        try:
            await client._run(_calls.status(), self._connect_timeout, wait_for_ready=True)
        except BaseException:
            await client.close()
            raise
        return client

    def __await__(self) -> Any:
        return self._open().__await__()

    async def __aenter__(self) -> Client:
        self._client = await self._open()
        return self._client

    async def __aexit__(self, kind: type[BaseException] | None, err: BaseException | None, trace: TracebackType | None) -> None:
        if self._client is not None:
            await self._client.close()


class Client:
    """A connection to a daemon; made by connect.

    It belongs to the event loop that it was made in, and is used from there only.
    Cancelling a task that awaits a method cancels the call. Every call takes at most
    timeout seconds (DeadlineError). Errors are FacetdError; see facetd.errors.
    """

    def __init__(self, endpoint: Endpoint, timeout: float) -> None:
        self._endpoint = endpoint
        self._timeout = timeout
        self._channel = endpoint.channel(grpc.aio)
        self._methods: dict[str, Any] = {}
        self._streams: weakref.WeakSet[Stream | MotionStream | EventStream] = weakref.WeakSet()
        self._closed = False

    async def __aenter__(self) -> Client:
        return self

    async def __aexit__(self, kind: type[BaseException] | None, err: BaseException | None, trace: TracebackType | None) -> None:
        await self.close()

    async def close(self) -> None:
        """Ends every stream and call. Closing again changes nothing."""
        self._closed = True
        for s in list(self._streams):
            await s.close()
        await self._channel.close()

    def _method(self, name: str) -> Any:
        if self._closed:
            raise CancelledError("the client is closed")
        method = self._methods.get(name)
        if method is None:
            d = schema.method(name)
            method = self._methods[name] = getattr(self._channel, _calls.kind(name))(
                _calls.path(d),
                request_serializer=schema.message(d.input_type.full_name).SerializeToString,
                response_deserializer=schema.message(d.output_type.full_name).FromString,
            )
        return method

    async def _run(self, call: Call[T], timeout: float | None, wait_for_ready: bool = False) -> T:
        try:
            answer = await self._method(call.method)(
                call.request,
                timeout=self._timeout if timeout is None else timeout,
                metadata=self._endpoint.metadata(),
                wait_for_ready=wait_for_ready,
            )
        except grpc.RpcError as err:
            raise from_rpc(err, self._endpoint.address) from None
        except grpc.aio.UsageError as err:  # on a closed channel
            raise CancelledError(str(err)) from None
        except asyncio.CancelledError:
            if self._closed:
                raise CancelledError("the client was closed") from None
            raise
        return call.convert(answer)

    async def array(self, *, timeout: float | None = None) -> Array:
        """Returns the array: chips, lattices, mounts, groups, digest."""
        return await self._run(_calls.array(), timeout)

    async def status(self, *, timeout: float | None = None) -> Status:
        """Returns what the daemon is doing, with its tasks."""
        return await self._run(_calls.status(), timeout)

    async def clock(self, *, timeout: float | None = None) -> Clock:
        """Asks a few times for the clock of the daemon's host, and returns what is known of it: see Clock. Ask again
        about once a second (ask_clock). PreconditionError where there is none, as in a replay."""
        known = Clock()
        for _ in range(FIRST_TRIPS):
            await self.ask_clock(known, timeout=timeout)
        return known

    async def ask_clock(self, clock: Clock, *, timeout: float | None = None) -> None:
        """Makes one round trip more for a clock."""
        await self._run(_calls.clock(clock), timeout)

    async def tasks(self, *, timeout: float | None = None) -> dict[str, RunningTask]:
        """Returns the tasks by name, in the order they were added."""
        return await self._run(_calls.tasks(), timeout)

    async def task(self, name: str, *, timeout: float | None = None) -> RunningTask:
        """Returns one task. Raises NotFoundError."""
        return await self._run(_calls.task(name), timeout)

    async def add_task(self, task: Task, *, timeout: float | None = None) -> RunningTask:
        """Plans a task beside the running ones and starts it.

        Raises RefusedError when it does not fit, ExistsError when the name is taken,
        InvalidError with every validation error; nothing is changed then.
        """
        return await self._run(_calls.add_task(task), timeout)

    async def change_task(self, task: Task, *, timeout: float | None = None) -> RunningTask:
        """Replaces the running task of the same name. Errors as of add_task, and
        NotFoundError; the task then runs on as it was."""
        return await self._run(_calls.change_task(task), timeout)

    async def remove_task(self, name: str, *, timeout: float | None = None) -> int:
        """Stops a task; returns the bus time from which on. Raises NotFoundError."""
        return await self._run(_calls.remove_task(name), timeout)

    async def set_parameters(self, task: str, *views: Parameters, timeout: float | None = None) -> ParametersSet:
        """Sets what the views of a task say in movable, all of it or nothing: from the first
        job on that has not begun, which is returned, without another timetable. Raises
        NotFoundError, and InvalidError with every value that cannot be set."""
        return await self._run(_calls.set_parameters(task, views), timeout)

    async def trigger(self, task: str, *, request_id: str = "", timeout: float | None = None) -> Triggered:
        """Releases a job of a sporadic task, now, and says when it runs; the frames come in the
        streams. A retry with the request_id of the first gets its answer, and triggers nothing.
        Raises NotFoundError, and PreconditionError for a trigger that comes too soon."""
        return await self._run(_calls.trigger(task, request_id), timeout)

    async def stop(self, reason: str = "", *, timeout: float | None = None) -> SafeStop:
        """Stops the array until it is resumed, also after a restart of the daemon: every
        select line goes inactive, open jobs fail, streams end with StoppedError. The
        answer says whether the bus has confirmed the lines. It is a stop by software, and
        no emergency stop. The reason is one line of at most 200 characters."""
        return await self._run(_calls.stop(reason), timeout)

    async def resume(self, revision: int = 0, *, timeout: float | None = None) -> int:
        """Ends the stop with this revision, unless somebody has asked for another since;
        0 ends whatever stop there is. Returns the bus time from which on the timetable
        runs. Raises PreconditionError; the array is then stopped as before."""
        return await self._run(_calls.resume(revision), timeout)

    async def plan(self, *, timeout: float | None = None) -> Plan:
        """Returns the active plan."""
        return await self._run(_calls.plan(), timeout)

    async def apply_tasks(
        self,
        add: Sequence[Task] = (),
        update: Sequence[Update | Task] = (),
        remove: Sequence[str] = (),
        *,
        expected_revision: int | None = None,
        request_id: str = "",
        timeout: float | None = None,
    ) -> Applied:
        """Makes several changes at once, all of them or none. Errors as of add_task and
        change_task; ConflictError where the tasks have not the revision expected, or a task
        not the etag of its update. With a request id, made up anew for every change, it may
        be called again after any error: the change is made once. Without, this call makes one
        up: like every change of tasks it is sent again for up to a second where the
        connection breaks, and done once."""
        changes = changes_message(add, update, remove, expected_revision)
        return await self._run(_calls.apply_tasks(changes, request_id), timeout)

    async def preview_plan(
        self,
        add: Sequence[Task] = (),
        remove: Sequence[str] = (),
        *,
        update: Sequence[Update | Task] = (),
        timeout: float | None = None,
    ) -> Plan:
        """Plans the changes of apply_tasks without making them; a plan that does not fit is
        no error, but comes with its refusal."""
        return await self._run(_calls.preview_plan(changes_message(add, update, remove, None)), timeout)

    async def capture(
        self, target: Target, views: Sequence[View] = (), *, corrected: bool = False, square: bool = False, timeout: float | None = None
    ) -> Capture:
        """Reads a target once in a gap of the timetable. Raises PreconditionError when
        no gap is long enough."""
        return await self._run(_calls.capture(target, views, codes(corrected, square)), timeout)

    async def preview_capture(
        self, target: Target, views: Sequence[View] = (), *, timeout: float | None = None
    ) -> CaptureWait:
        """Says how long `capture` may wait in the active timetable, and captures nothing.
        Raises PreconditionError when no gap is long enough."""
        return await self._run(_calls.preview_capture(target, views), timeout)

    async def write_register(self, target: Target, register: Register, value: int, *, timeout: float | None = None) -> Sent:
        """Writes a register of every chip of a target, in a gap of the timetable.

        Raises PreconditionError when it would disturb a task. On a real array mind the
        data sheet: a wrong bias or output enable can harm a chip.
        """
        return await self._run(_calls.write_register(target, register, value), timeout)

    async def strobe(self, target: Target, strobe: Strobe, *, timeout: float | None = None) -> Sent:
        """Gives every chip of a target one strobe, in a gap of the timetable. Raises
        PreconditionError when it would disturb a task."""
        return await self._run(_calls.strobe(target, strobe), timeout)

    async def events(
        self,
        *,
        after: Event | int | None = None,
        limit: int = 100,
        min_severity: Severity = Severity.UNKNOWN,
        kinds: Sequence[EventKind] = (),
        task: str = "",
        timeout: float | None = None,
    ) -> list[Event]:
        """Returns events of the journal, oldest first: those after an event, all after 0, or the
        newest. InvalidError when the event is of another journal."""
        return await self._run(_calls.events(after, limit, _calls.event_filter(min_severity, kinds, task)), timeout)

    def watch_events(
        self,
        *,
        after: Event | int | None = None,
        min_severity: Severity = Severity.UNKNOWN,
        kinds: Sequence[EventKind] = (),
        task: str = "",
    ) -> EventStream:
        """Returns events as they happen, until it is closed; it ends with
        UnavailableError when the daemon goes. To go on, watch after the last event:
        a daemon whose journal is another one refuses it (InvalidError)."""
        stream = EventStream(self, _calls.watch_events(after, _calls.event_filter(min_severity, kinds, task)))
        self._streams.add(stream)
        return stream

    async def start_recording(
        self,
        name: str = "",
        *,
        tasks: Sequence[str] = (),
        images: bool = False,
        motion: bool = False,
        max_bytes: int = 0,
        max_duration_ns: int | None = None,
        timeout: float | None = None,
    ) -> Recording:
        """Begins a recording in the daemon's folder, with plain images and what the frames tell of motion where
        these are asked for. Raises ExistsError, InvalidError,
        and PreconditionError when the daemon has no folder or too little free space."""
        return await self._run(_calls.start_recording(name, tasks, images, motion, max_bytes, max_duration_ns), timeout)

    async def stop_recording(self, name: str, *, timeout: float | None = None) -> Recording:
        """Ends a running recording. Raises NotFoundError."""
        return await self._run(_calls.stop_recording(name), timeout)

    async def recording(self, name: str, *, timeout: float | None = None) -> Recording:
        """Returns one recording. Raises NotFoundError."""
        return await self._run(_calls.recording(name), timeout)

    async def recordings(self, *, timeout: float | None = None) -> list[Recording]:
        """Returns all recordings in the daemon's folder, by name."""
        call, out = _calls.recordings(), []
        while True:
            page, call.request.page_token = await self._run(call, timeout)
            out += page
            if not call.request.page_token:
                return out

    async def download_recording(self, file: str, to: str | os.PathLike[str]) -> int:
        """Writes a closed file of a recording (Recording.files) to a path, which has all of it or is as it was, and
        returns its bytes. What breaks off goes on where it was. Raises NotFoundError, PreconditionError for a file that
        is not closed, UnavailableError when the daemon is away for longer, OSError."""
        with Download(file, to) as got:
            while not got.whole:
                try:
                    async for piece in self._method(got.method)(got.request(), metadata=self._endpoint.metadata()):
                        got.take(piece)
                    failed = got.ended_early(self._endpoint.address)
                except grpc.RpcError as err:
                    failed = from_rpc(err, self._endpoint.address)
                if got.whole:
                    break
                if not got.goes_on(failed):
                    raise failed
                await asyncio.sleep(PAUSE)
            return got.bytes

    async def delete_recording(self, name: str, *, timeout: float | None = None) -> Recording:
        """Deletes all files of a recording, and returns it as it was. Raises NotFoundError, and PreconditionError while
        it is written."""
        return await self._run(_calls.delete_recording(name), timeout)

    async def call(self, method: str, request: Mapping[str, Any] | None = None, *, timeout: float | None = None) -> dict[str, Any]:
        """Calls any other method of the schema that is not a stream, such as
        ``call("SceneService/SetScene", {"scene": "uniform:200"})``, with request and
        answer in the schema's JSON form. ValueError when there is no such method or
        field."""
        return await self._run(_calls.any_call(method, request or {}), timeout)

    def stream(
        self,
        tasks: Sequence[str] = (),
        *,
        chips: Sequence[str] = (),
        corrected: bool = False,
        square: bool = False,
        max_rate_hz: float = 0.0,
        overflow: str = "latest",
        queue_length: int = 16,
        heartbeat: float = 1.0,
        reconnect: Backoff = Backoff(),
    ) -> Stream:
        """Returns the frame sets of some tasks (none means all) as they finish; see
        facetd.Client.stream. It begins with ``async with``, or with the first set that
        is asked for; then errors come too."""
        options = StreamOptions(
            tuple(tasks), tuple(chips), codes(corrected, square), max_rate_hz, overflow, queue_length, heartbeat
        )
        stream = Stream(self, options, reconnect)
        self._streams.add(stream)
        return stream

    def motion(
        self,
        tasks: Sequence[str] = (),
        *,
        chips: Sequence[str] = (),
        heartbeat: float = 1.0,
        reconnect: Backoff = Backoff(),
    ) -> MotionStream:
        """Returns estimates of how the robot turns and moves, by the corrected frames of some tasks (none means all)
        and chips: one for each job, the newest of each task, with heartbeat and reconnect as of stream. It begins
        with ``async with``, or with the first that is asked for.
        """
        options = StreamOptions(tuple(tasks), tuple(chips), heartbeat=heartbeat)
        stream = MotionStream(self, options, reconnect)
        self._streams.add(stream)
        return stream


class _Reader:
    """Receives from the daemon in a task of its own what the reads of another grant, and
    connects again."""

    def __init__(self, client: Client, options: StreamOptions, backoff: Backoff, follower: type[Follower] = Follower) -> None:
        self._client = client
        self._options = options
        self._backoff = backoff
        self._changed = asyncio.Condition()
        self._follower = follower(options)
        self.closed = False
        self.opened = False
        self._silent = False  # the call was ended for the daemon's silence
        self._call: Any = None
        self._requests: asyncio.Queue[Any] = asyncio.Queue()  # of the call, ended by None
        self._end: FacetdError | None = None
        self.connected = False
        self.last_error: FacetdError | None = None
        self.task = asyncio.get_running_loop().create_task(self._run(), name="facetd-stream")

    @property
    def dropped(self) -> int:
        """Frame sets dropped since the stream began."""
        return self._follower.dropped_total

    async def wait_open(self) -> None:
        """Returns once the daemon has taken the stream; raises why it did not."""
        async with self._changed:
            try:
                async with asyncio.timeout(self._client._timeout):
                    await self._changed.wait_for(lambda: self.opened or self._end or self.closed)
            except TimeoutError:
                raise self.last_error or DeadlineError("the stream was not opened in time", "DEADLINE_EXCEEDED") from None
            if self._end and not self.opened:
                raise self._end

    async def take(self) -> Arrival | None:
        """Returns what waits longest; None when closed. Raises the error that ended the
        stream. A caller that is cancelled takes nothing away."""
        arrival = None
        self._grant(self._follower.read(time.monotonic()))
        try:
            async with self._changed:
                await self._wait()
            if not self.closed and self._follower.inbox:
                arrival = self._follower.take()
            elif not self.closed:
                assert self._end is not None
                raise self._end
        finally:
            if arrival is None:
                self._grant(self._follower.leave(time.monotonic()))
        return arrival

    async def _wait(self) -> None:
        """Waits for a frame set or the end; ends a call on which the daemon is silent."""
        while not (self.closed or self._follower.inbox or self._end):
            silent_at = self._follower.silent_at()
            left = None if silent_at is None else silent_at - time.monotonic()
            if left is not None and left <= 0:
                self._silent = True
                self._follower.broken()
                if self._call is not None:
                    self._call.cancel()
                continue
            try:
                async with asyncio.timeout(left):
                    await self._changed.wait()
            except TimeoutError:
                pass  # the daemon may be silent

    def _grant(self, frame_sets: int) -> None:
        if frame_sets:
            self._requests.put_nowait(self._follower.grant(frame_sets))

    async def close(self) -> None:
        """Ends the task."""
        self.closed = True
        self.task.cancel()
        await asyncio.gather(self.task, return_exceptions=True)
        async with self._changed:
            self.connected = False
            self._changed.notify_all()

    async def _run(self) -> None:
        tries = 0
        while True:
            try:
                begun = await self._read()
            except Exception as err:  # a fault of ours must reach the reader too
                return await self._finish(err if isinstance(err, FacetdError) else FacetdError(f"{type(err).__name__}: {err}"))
            tries = 1 if begun else tries + 1
            if self._backoff.over(tries):
                return await self._finish(self.last_error)
            await asyncio.sleep(self._backoff.delay(tries, jitter()))

    async def _finish(self, err: FacetdError | None) -> None:
        async with self._changed:
            self._end = err
            self.connected = False
            self._changed.notify_all()

    async def _read(self) -> bool:
        """Reads one connection to its end; returns whether the stream began on it. Raises
        what trying again does not fix."""
        address = self._client._endpoint.address
        try:
            async for message in await self._open():
                if self._silent:  # too late: the call is being ended
                    continue
                async with self._changed:
                    self._grant(self._follower.hear(message, time.monotonic(), time.time_ns(), time.monotonic_ns()))
                    self.opened = self.connected = True  # what is no beginning has raised
                    self._changed.notify_all()
            return self._lost(UnavailableError(f"the daemon at {address} ended the stream", "UNAVAILABLE"), True)
        except grpc.RpcError as err:
            return self._lost(from_rpc(err, address), retryable(err))
        except asyncio.CancelledError:
            if not self._silent or self.closed:
                raise
            return self._lost(UnavailableError(""), True)
        finally:
            self._follower.broken()
            self._requests.put_nowait(None)
            if self._call is not None:
                self._call.cancel()
                self._call = None

    async def _open(self) -> Any:
        """Begins a call."""
        method, metadata = self._client._method(self._follower.method), self._client._endpoint.metadata()
        self._silent = False
        self._requests = asyncio.Queue()
        self._requests.put_nowait(self._follower.start(time.monotonic()))
        self._call = method(_until_none(self._requests), metadata=metadata)
        async with self._changed:
            self._changed.notify_all()  # a read that waits looks at the time
        return self._call

    def _lost(self, err: FacetdError, again: bool) -> bool:
        """Tells why a connection ended; returns as _read. Raises err when it is not to be
        made again."""
        begun, self.connected = self.connected, False
        if self._silent:
            message = f"nothing was heard of the daemon at {self._client._endpoint.address} for {self._options.silence:g} s"
            err, again = UnavailableError(message, "UNAVAILABLE"), True
        self.last_error = err
        # The first connection fails at once, unless it had been made.
        if not (again and self.opened):
            raise err from None
        return begun


async def _until_none(requests: asyncio.Queue[Any]) -> AsyncIterator[Any]:
    while (request := await requests.get()) is not None:
        yield request


class _Arrivals(Generic[S]):
    """What both kinds of streams are."""

    _follower: type[Follower] = Follower

    def __init__(self, client: Client, options: StreamOptions, reconnect: Backoff) -> None:
        self._client = client
        self._options = options
        self._reconnect = reconnect
        self._reader: _Reader | None = None
        self._closed = False

    async def _open(self) -> _Reader:
        if self._reader is None:
            self._reader = _Reader(self._client, self._options, self._reconnect, self._follower)
            # The task must not go on for a stream that nobody holds any more.
            weakref.finalize(self, self._reader.task.cancel).atexit = False
        try:
            await self._reader.wait_open()
        except FacetdError:
            await self.close()
            raise
        return self._reader

    def _made(self, arrival: Arrival) -> S:
        raise NotImplementedError

    def __aiter__(self) -> AsyncIterator[S]:
        return self

    async def __anext__(self) -> S:
        got = await self._next()
        if got is None:
            raise StopAsyncIteration
        return got

    async def _next(self) -> S | None:
        if self._closed:
            return None
        reader = self._reader
        if reader is None or not reader.opened:
            reader = await self._open()
        arrival = await reader.take()
        return None if arrival is None else self._made(arrival)

    async def next(self, timeout: float) -> S:
        """Returns the next one; DeadlineError when none comes within timeout
        seconds, so that a robot notices silence. The stream goes on then. Raises
        CancelledError when the stream is closed."""
        try:
            async with asyncio.timeout(timeout):
                got = await self._next()
        except TimeoutError as err:
            if isinstance(err, FacetdError):
                raise
            raise DeadlineError(f"no {self._follower.what} came in time", "DEADLINE_EXCEEDED") from None
        if got is None:
            raise CancelledError("the stream is closed")
        return got

    @property
    def connected(self) -> bool:
        """Whether there is a connection now."""
        return self._reader is not None and self._reader.connected

    @property
    def last_error(self) -> FacetdError | None:
        """Why the last connection was lost; None when none was."""
        return None if self._reader is None else self._reader.last_error

    @property
    def dropped(self) -> int:
        """How many were dropped since the stream began, by the daemon and here."""
        return 0 if self._reader is None else self._reader.dropped

    async def close(self) -> None:
        """Ends the stream; a reader that waits is woken."""
        self._closed = True
        if self._reader is not None:
            await self._reader.close()

    async def __aenter__(self: R) -> R:
        await self._open()
        return self

    async def __aexit__(self, kind: type[BaseException] | None, err: BaseException | None, trace: TracebackType | None) -> None:
        await self.close()


class Stream(_Arrivals[FrameSet]):
    """Frame sets as they finish: an asynchronous iterator, and a context manager that
    closes. One task reads at a time."""

    def __init__(self, client: Client, options: StreamOptions, reconnect: Backoff) -> None:
        self._gaps = GapTracker()
        super().__init__(client, options, reconnect)

    def _made(self, arrival: Arrival) -> FrameSet:
        return self._gaps.frame_set(arrival)


class MotionStream(_Arrivals[MotionEstimate]):
    """Estimates of motion: an asynchronous iterator, and a context manager that closes. One task reads at a time. After
    a connection was lost the pairs of frames begin anew: chips say that there is a gap, once."""

    _follower = MotionFollower

    def _made(self, arrival: Arrival) -> MotionEstimate:
        return MotionEstimate._of(arrival.message, arrival.received_time_ns, arrival.received_monotonic_ns)


class EventStream:
    """Events as they happen: an asynchronous iterator, and a context manager that
    closes."""

    def __init__(self, client: Client, call: Call[Event]) -> None:
        self._address = client._endpoint.address
        self._convert = call.convert
        self._closed = False
        self._call = client._method(call.method)(call.request, metadata=client._endpoint.metadata())
        self._messages = self._call.__aiter__()

    def __aiter__(self) -> AsyncIterator[Event]:
        return self

    async def __anext__(self) -> Event:
        try:
            return self._convert(await self._messages.__anext__())
        except grpc.RpcError as err:
            raise from_rpc(err, self._address) from None
        except asyncio.CancelledError:
            if self._closed:
                raise StopAsyncIteration from None
            raise

    async def close(self) -> None:
        """Ends the stream; a reader that waits is woken."""
        self._closed = True
        self._call.cancel()

    async def __aenter__(self) -> EventStream:
        return self

    async def __aexit__(self, kind: type[BaseException] | None, err: BaseException | None, trace: TracebackType | None) -> None:
        await self.close()
