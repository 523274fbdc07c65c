"""The blocking client."""

from __future__ import annotations

import os
import threading
import time
import weakref
from collections.abc import Iterator, Mapping, Sequence
from types import TracebackType
from typing import Any, Generic, TypeVar

import grpc

from . import _calls
from ._calls import Call
from ._channel import TLS, Endpoint, Token
from ._follow import Backoff, Follower, StreamOptions, codes
from ._lost import Arrival, GapTracker
from ._motion import MotionFollower
from ._reader import Reader
from ._recordings import PAUSE, Download
from ._schema import schema
from .array import Array
from .clock import FIRST_TRIPS, Clock
from .enums import EventKind, Register, Severity, Strobe
from .errors import CancelledError, DeadlineError, FacetdError, from_rpc
from .events import Event, Recording, SafeStop, Sent, Status
from .frames import Capture, CaptureWait, FrameSet
from .motion import MotionEstimate
from .plan import Plan
from .task import Applied, Parameters, ParametersSet, RunningTask, Target, Task, Triggered, Update, View, changes_message

T = TypeVar("T")
S = TypeVar("S", FrameSet, MotionEstimate)
R = TypeVar("R", bound="_Arrivals[Any]")


def connect(
    address: str = "127.0.0.1:7660",
    *,
    token: Token | None = None,
    tls: TLS | None = None,
    timeout: float = 10.0,
    connect_timeout: float = 5.0,
) -> Client:
    """Connects to a daemon and makes sure that it answers.

    address is HOST:PORT or unix:PATH. token goes with every call; a function is asked
    for it each time, so that it may change. timeout is the time limit in seconds of every
    call that is not given its own; connect_timeout is how long to wait for the daemon.
    Raises UnavailableError or DeadlineError when it does not answer, AccessError when it
    does not let us in, ValueError when the arguments make no sense.
    """
    client = Client(Endpoint(address, token, tls), timeout)
    try:
        client._wait(connect_timeout)
    except BaseException:
        client.close()
        raise
    return client


class Client:
    """A connection to a daemon; made by connect. A context manager that closes.

    Every method may be called from any thread, and blocks until it is answered, at most
    timeout seconds (DeadlineError). Errors are FacetdError; see facetd.errors.
    """

    def __init__(self, endpoint: Endpoint, timeout: float) -> None:
        self._endpoint = endpoint
        self._timeout = timeout
        self._channel = endpoint.channel(grpc)
        self._lock = threading.Lock()
        self._methods: dict[str, Any] = {}
        self._streams: weakref.WeakSet[Stream | MotionStream | EventStream] = weakref.WeakSet()
        self._closed = False

    def __enter__(self) -> Client:
        return self

    def __exit__(self, kind: type[BaseException] | None, err: BaseException | None, trace: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Ends every stream and call. Closing again changes nothing."""
        with self._lock:
            self._closed = True
            streams = list(self._streams)
        for s in streams:
            s.close()
        self._channel.close()

    def _method(self, name: str) -> Any:
        with self._lock:
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

    def _run(self, call: Call[T], timeout: float | None, wait_for_ready: bool = False) -> T:
        try:
            answer = self._method(call.method)(
                call.request,
                timeout=self._timeout if timeout is None else timeout,
                metadata=self._endpoint.metadata(),
                wait_for_ready=wait_for_ready,
            )
        except grpc.RpcError as err:
            raise from_rpc(err, self._endpoint.address) from None
        except ValueError as err:  # what gRPC raises on a closed channel
            raise CancelledError(str(err)) from None
        return call.convert(answer)

    def _wait(self, timeout: float) -> None:
        self._run(_calls.status(), timeout, wait_for_ready=True)

    def array(self, *, timeout: float | None = None) -> Array:
        """Returns the array: chips, lattices, mounts, groups, digest."""
        return self._run(_calls.array(), timeout)

    def status(self, *, timeout: float | None = None) -> Status:
        """Returns what the daemon is doing, with its tasks."""
        return self._run(_calls.status(), timeout)

    def clock(self, *, timeout: float | None = None) -> Clock:
        """Asks a few times for the clock of the daemon's host, and returns what is known of it: see Clock. Ask again
        about once a second (ask_clock). PreconditionError where there is none, as in a replay."""
        known = Clock()
        for _ in range(FIRST_TRIPS):
            self.ask_clock(known, timeout=timeout)
        return known

    def ask_clock(self, clock: Clock, *, timeout: float | None = None) -> None:
        """Makes one round trip more for a clock."""
        self._run(_calls.clock(clock), timeout)

    def tasks(self, *, timeout: float | None = None) -> dict[str, RunningTask]:
        """Returns the tasks by name, in the order they were added."""
        return self._run(_calls.tasks(), timeout)

    def task(self, name: str, *, timeout: float | None = None) -> RunningTask:
        """Returns one task. Raises NotFoundError."""
        return self._run(_calls.task(name), timeout)

    def add_task(self, task: Task, *, timeout: float | None = None) -> RunningTask:
        """Plans a task beside the running ones and starts it.

        Raises RefusedError when it does not fit, ExistsError when the name is taken,
        InvalidError with every validation error; nothing is changed then.
        """
        return self._run(_calls.add_task(task), timeout)

    def change_task(self, task: Task, *, timeout: float | None = None) -> RunningTask:
        """Replaces the running task of the same name. Errors as of add_task, and
        NotFoundError; the task then runs on as it was."""
        return self._run(_calls.change_task(task), timeout)

    def remove_task(self, name: str, *, timeout: float | None = None) -> int:
        """Stops a task; returns the bus time from which on. Raises NotFoundError."""
        return self._run(_calls.remove_task(name), timeout)

    def set_parameters(self, task: str, *views: Parameters, timeout: float | None = None) -> ParametersSet:
        """Sets what the views of a task say in movable, all of it or nothing: from the first
        job on that has not begun, which is returned, without another timetable. Raises
        NotFoundError, and InvalidError with every value that cannot be set."""
        return self._run(_calls.set_parameters(task, views), timeout)

    def trigger(self, task: str, *, request_id: str = "", timeout: float | None = None) -> Triggered:
        """Releases a job of a sporadic task, now, and says when it runs; the frames come in the
        streams. A retry with the request_id of the first gets its answer, and triggers nothing.
        Raises NotFoundError, and PreconditionError for a trigger that comes too soon."""
        return self._run(_calls.trigger(task, request_id), timeout)

    def stop(self, reason: str = "", *, timeout: float | None = None) -> SafeStop:
        """Stops the array until it is resumed, also after a restart of the daemon: every
        select line goes inactive, open jobs fail, streams end with StoppedError. The
        answer says whether the bus has confirmed the lines. It is a stop by software, and
        no emergency stop. The reason is one line of at most 200 characters."""
        return self._run(_calls.stop(reason), timeout)

    def resume(self, revision: int = 0, *, timeout: float | None = None) -> int:
        """Ends the stop with this revision, unless somebody has asked for another since;
        0 ends whatever stop there is. Returns the bus time from which on the timetable
        runs. Raises PreconditionError; the array is then stopped as before."""
        return self._run(_calls.resume(revision), timeout)

    def plan(self, *, timeout: float | None = None) -> Plan:
        """Returns the active plan."""
        return self._run(_calls.plan(), timeout)

    def apply_tasks(
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
        return self._run(_calls.apply_tasks(changes, request_id), timeout)

    def preview_plan(
        self,
        add: Sequence[Task] = (),
        remove: Sequence[str] = (),
        *,
        update: Sequence[Update | Task] = (),
        timeout: float | None = None,
    ) -> Plan:
        """Plans the changes of apply_tasks without making them; a plan that does not fit is
        no error, but comes with its refusal."""
        return self._run(_calls.preview_plan(changes_message(add, update, remove, None)), timeout)

    def capture(
        self, target: Target, views: Sequence[View] = (), *, corrected: bool = False, square: bool = False, timeout: float | None = None
    ) -> Capture:
        """Reads a target once in a gap of the timetable. Raises PreconditionError when
        no gap is long enough. corrected and square are those of `stream`."""
        return self._run(_calls.capture(target, views, codes(corrected, square)), timeout)

    def preview_capture(
        self, target: Target, views: Sequence[View] = (), *, timeout: float | None = None
    ) -> CaptureWait:
        """Says how long `capture` may wait in the active timetable, and captures nothing.
        Raises PreconditionError when no gap is long enough."""
        return self._run(_calls.preview_capture(target, views), timeout)

    def write_register(self, target: Target, register: Register, value: int, *, timeout: float | None = None) -> Sent:
        """Writes a register of every chip of a target, in a gap of the timetable.

        Raises PreconditionError when it would disturb a task. On a real array mind the
        data sheet: a wrong bias or output enable can harm a chip.
        """
        return self._run(_calls.write_register(target, register, value), timeout)

    def strobe(self, target: Target, strobe: Strobe, *, timeout: float | None = None) -> Sent:
        """Gives every chip of a target one strobe, in a gap of the timetable. Raises
        PreconditionError when it would disturb a task."""
        return self._run(_calls.strobe(target, strobe), timeout)

    def events(
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
        return self._run(_calls.events(after, limit, _calls.event_filter(min_severity, kinds, task)), timeout)

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
        self._add(stream)
        return stream

    def start_recording(
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
        return self._run(_calls.start_recording(name, tasks, images, motion, max_bytes, max_duration_ns), timeout)

    def stop_recording(self, name: str, *, timeout: float | None = None) -> Recording:
        """Ends a running recording. Raises NotFoundError."""
        return self._run(_calls.stop_recording(name), timeout)

    def recording(self, name: str, *, timeout: float | None = None) -> Recording:
        """Returns one recording. Raises NotFoundError."""
        return self._run(_calls.recording(name), timeout)

    def recordings(self, *, timeout: float | None = None) -> list[Recording]:
        """Returns all recordings in the daemon's folder, by name."""
        call, out = _calls.recordings(), []
        while True:
            page, call.request.page_token = self._run(call, timeout)
            out += page
            if not call.request.page_token:
                return out

    def download_recording(self, file: str, to: str | os.PathLike[str]) -> int:
        """Writes a closed file of a recording (Recording.files) to a path, which has all of it or is as it was, and
        returns its bytes. What breaks off goes on where it was. Raises NotFoundError, PreconditionError for a file that
        is not closed, UnavailableError when the daemon is away for longer, OSError."""
        with Download(file, to) as got:
            while not got.whole:
                try:
                    for piece in self._method(got.method)(got.request(), metadata=self._endpoint.metadata()):
                        got.take(piece)
                    failed = got.ended_early(self._endpoint.address)
                except grpc.RpcError as err:
                    failed = from_rpc(err, self._endpoint.address)
                if got.whole:
                    break
                if not got.goes_on(failed):
                    raise failed
                time.sleep(PAUSE)
            return got.bytes

    def delete_recording(self, name: str, *, timeout: float | None = None) -> Recording:
        """Deletes all files of a recording, and returns it as it was. Raises NotFoundError, and PreconditionError while
        it is written."""
        return self._run(_calls.delete_recording(name), timeout)

    def call(self, method: str, request: Mapping[str, Any] | None = None, *, timeout: float | None = None) -> dict[str, Any]:
        """Calls any other method of the schema that is not a stream, such as
        ``call("SceneService/SetScene", {"scene": "uniform:200"})``, with request and
        answer in the schema's JSON form. ValueError when there is no such method or
        field."""
        return self._run(_calls.any_call(method, request or {}), timeout)

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
        """Returns the frame sets of some tasks (none means all) as they finish.

        The daemon sends what the reads ask for. overflow says what it keeps until then:
        "latest" the newest set of each task, so that a slow reader gets new ones, "queue"
        up to queue_length of each; what it drops is counted. max_rate_hz decimates each
        task; corrected asks for corrected codes, square for corrected ones of which
        hexagonal frames lie on a square lattice. A broken connection is made again as
        reconnect says (facetd.NO_RECONNECT: never); what was lost stands in the `gap` of
        the next frame set of each task. While a frame set is waited for, the daemon is
        heard every heartbeat seconds; after three without a word the connection counts as
        broken. The stream begins before this returns: what finishes from now on comes, or
        is counted.
        Raises NotFoundError for a task, InvalidError for a chip.
        """
        options = StreamOptions(
            tuple(tasks), tuple(chips), codes(corrected, square), max_rate_hz, overflow, queue_length, heartbeat
        )
        stream = Stream(self, options, reconnect)
        self._begin(stream)
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
        and chips: one for each job, the newest of each task, with heartbeat and reconnect as of stream. The stream
        begins before this returns. Raises NotFoundError for a task, InvalidError for a chip.
        """
        options = StreamOptions(tuple(tasks), tuple(chips), heartbeat=heartbeat)
        stream = MotionStream(self, options, reconnect)
        self._begin(stream)
        return stream

    def _begin(self, stream: Stream | MotionStream) -> None:
        self._add(stream)
        try:
            stream._reader.wait_open(self._timeout)
        except BaseException:
            stream.close()
            raise

    def _add(self, stream: Stream | MotionStream | EventStream) -> None:
        with self._lock:
            self._streams.add(stream)


class _Arrivals(Generic[S]):
    """What both kinds of streams are."""

    _follower: type[Follower] = Follower

    def __init__(self, client: Client, options: StreamOptions, reconnect: Backoff) -> None:
        self._reader = Reader(client, options, reconnect, self._follower)
        # The thread must not keep a stream alive that nobody holds any more.
        self._finalizer = weakref.finalize(self, self._reader.close)

    def _made(self, arrival: Arrival) -> S:
        raise NotImplementedError

    def __iter__(self) -> Iterator[S]:
        return self

    def __next__(self) -> S:
        arrival = self._reader.take(None)
        if arrival is None:
            raise StopIteration
        return self._made(arrival)

    def next(self, timeout: float) -> S:
        """Returns the next one; DeadlineError when none comes within timeout
        seconds, so that a robot notices silence. The stream goes on then. Raises
        CancelledError when the stream is closed."""
        arrival = self._reader.take(time.monotonic() + timeout)
        if arrival is None:
            raise CancelledError("the stream is closed")
        return self._made(arrival)

    @property
    def connected(self) -> bool:
        """Whether there is a connection now."""
        return self._reader.connected

    @property
    def last_error(self) -> FacetdError | None:
        """Why the last connection was lost; None when none was."""
        return self._reader.last_error

    @property
    def dropped(self) -> int:
        """How many were dropped since the stream began, by the daemon and here."""
        return self._reader.dropped

    def close(self) -> None:
        """Ends the stream; a reader that waits is woken."""
        self._finalizer()

    def __enter__(self: R) -> R:
        return self

    def __exit__(self, kind: type[BaseException] | None, err: BaseException | None, trace: TracebackType | None) -> None:
        self.close()


class Stream(_Arrivals[FrameSet]):
    """Frame sets as they finish: an iterator, and a context manager that closes.

    One thread reads at a time; close and the counts may be used from any thread. It
    ends, as an iterator does, when it is closed; an error that trying again does not
    fix is raised, after what came before it.
    """

    def __init__(self, client: Client, options: StreamOptions, reconnect: Backoff) -> None:
        self._gaps = GapTracker()
        super().__init__(client, options, reconnect)

    def _made(self, arrival: Arrival) -> FrameSet:
        return self._gaps.frame_set(arrival)


class MotionStream(_Arrivals[MotionEstimate]):
    """Estimates of motion: an iterator, and a context manager that closes, for threads as Stream is. After a connection
    was lost the pairs of frames begin anew: chips say that there is a gap, once."""

    _follower = MotionFollower

    def _made(self, arrival: Arrival) -> MotionEstimate:
        return MotionEstimate._of(arrival.message, arrival.received_time_ns, arrival.received_monotonic_ns)


class EventStream:
    """Events as they happen: an iterator, and a context manager that closes."""

    def __init__(self, client: Client, call: Call[Event]) -> None:
        self._address = client._endpoint.address
        self._convert = call.convert
        self._closed = False
        self._call = client._method(call.method)(call.request, metadata=client._endpoint.metadata())
        weakref.finalize(self, self._call.cancel)

    def __iter__(self) -> Iterator[Event]:
        return self

    def __next__(self) -> Event:
        try:
            return self._convert(next(self._call))
        except grpc.RpcError as err:
            if self._closed:
                raise StopIteration from None
            raise from_rpc(err, self._address) from None

    def close(self) -> None:
        """Ends the stream; a reader that waits is woken."""
        self._closed = True
        self._call.cancel()

    def __enter__(self) -> EventStream:
        return self

    def __exit__(self, kind: type[BaseException] | None, err: BaseException | None, trace: TracebackType | None) -> None:
        self.close()


__all__ = ["Client", "DeadlineError", "EventStream", "MotionStream", "Stream", "connect"]
