"""What the tests stand on: the real daemon as a process, a fake one for what the real
one never does, and a relay that cuts connections."""

import asyncio
import atexit
import os
import signal
import socket
import subprocess
import threading
import time
import unittest
from concurrent import futures

import grpc

from facetd import _calls
from facetd._schema import new, schema


class Daemon:
    """A running facetd, in light that is quickly painted, and which refuses no job because
    the machine is busy; FACETD_BINARY names the program."""

    def __init__(self, *args, port=0):
        binary = os.environ.get("FACETD_BINARY")
        if not binary:
            raise unittest.SkipTest("FACETD_BINARY is not set; go test ./clients/python sets it")
        self.process = subprocess.Popen(
            [binary, "--listen", f"127.0.0.1:{port}", "--http", "", "--log-level", "error"]
            + ["--scene", "uniform:200", "--max-lag", "0s", *args],
            stdout=subprocess.PIPE,
            text=True,
        )
        self.address = ""
        for line in self.process.stdout:
            if line.startswith("gRPC"):
                self.address = line.split()[-1]
                break
        self.port = int(self.address.rpartition(":")[2])
        # What else it prints must not fill the pipe.
        self._rest = threading.Thread(target=self.process.stdout.read, daemon=True)
        self._rest.start()

    def kill(self):
        """Ends it without a chance to say goodbye."""
        self.process.kill()
        self.process.wait()
        self._rest.join()
        self.process.stdout.close()

    def pause(self):
        self.process.send_signal(signal.SIGSTOP)

    def resume(self):
        self.process.send_signal(signal.SIGCONT)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        if self.process.poll() is None:
            self.kill()


class Relay:
    """Passes bytes on to an address, until it is cut."""

    def __init__(self, port):
        self._to = port
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.address = "127.0.0.1:%d" % self._listener.getsockname()[1]
        self._pairs = []
        self._refusing = False
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self):
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            if self._refusing:
                near.close()
                continue
            far = socket.create_connection(("127.0.0.1", self._to))
            self._pairs += [near, far]
            for a, b in ((near, far), (far, near)):
                threading.Thread(target=self._pump, args=(a, b), daemon=True).start()

    @staticmethod
    def _pump(a, b):
        try:
            while data := a.recv(65536):
                b.sendall(data)
        except OSError:
            pass
        for s in (a, b):
            try:
                s.shutdown(socket.SHUT_RDWR)
            except OSError:
                pass

    def cut(self):
        """Ends every connection and refuses new ones."""
        self._refusing = True
        for s in self._pairs:
            try:
                s.shutdown(socket.SHUT_RDWR)
            except OSError:
                pass
            s.close()
        self._pairs = []

    def restore(self):
        self._refusing = False

    def close(self):
        self.cut()
        self._listener.close()


class Fake(grpc.GenericRpcHandler):
    """A server that answers as the test says: answers maps a method to a function of
    request and context, which is a generator for a stream. The request of a stream of
    frame sets is an iterator of them: see granted."""

    def __init__(self, answers, credentials=None, address="127.0.0.1:0"):
        self.answers = {"StatusService/GetStatus": lambda r, c: new("GetStatusResponse"), **answers}
        self.metadata = []  # of every call, in order: method, metadata
        self.server = grpc.server(futures.ThreadPoolExecutor(8), handlers=[self])
        if credentials:
            self.port = self.server.add_secure_port(address, credentials)
        else:
            self.port = self.server.add_insecure_port(address)
        self.address = f"127.0.0.1:{self.port}"
        self.server.start()

    def service(self, details):
        name = details.method.removeprefix("/facetd.v1.")
        self.metadata.append((name, dict(details.invocation_metadata)))
        if name not in self.answers:
            return None
        d = schema.method(name)
        return getattr(grpc, f"{_calls.kind(name)}_rpc_method_handler")(
            self.answers[name],
            request_deserializer=schema.message(d.input_type.full_name).FromString,
            response_serializer=schema.message(d.output_type.full_name).SerializeToString,
        )

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.server.stop(None).wait()


def frame(chip="c", rows=2, columns=3, data=None, **fields):
    """Returns a message of a frame of which everything fits, unless the test says so."""
    data = bytes(range(2 * rows * columns)) if data is None else data
    given = dict(view="v", pixel_format="Mono16", significant_bits=12, volts_per_code=0.5, code_zero_volts=1.0)
    return new("Frame", chip=chip, rows=rows, columns=columns, data=data, **{**given, **fields})


def stamp(ns):
    return new("google.protobuf.Timestamp", seconds=ns // 10**9, nanos=ns % 10**9)


def frame_set(task="t", job=0, frames=(), **fields):
    return new("FrameSet", task=task, job=job, frames=list(frames), **{"release_bus_ns": job * 10, "task_generation": 1, **fields})


def response(task="t", job=0, frames=(), left_out=0, dropped=0, dropped_total=0, **fields):
    """Returns the message that brings a frame set."""
    delivery = new(
        "FrameSetDelivery", frame_set=frame_set(task, job, frames, **fields), left_out=left_out or dropped, dropped=dropped,
        dropped_total=dropped_total,
    )  # fmt: skip
    return new("FollowFrameSetsResponse", delivery=delivery)


def begun(*tasks, instance="one", same=False, boot=""):
    """Returns the message that begins a stream, of tasks as of followed."""
    b = new("FollowBegun", identity=new("Identity", instance_id=instance, host_boot_id=boot), same_instance=same, tasks=list(tasks))
    return new("FollowFrameSetsResponse", begun=b)


def followed(task="t", generation=1, jobs_ended=0, resumed=False, missed=0):
    return new("FollowedTask", task=task, generation=generation, jobs_ended=jobs_ended, resumed=resumed, missed=missed)


def notice(task, change, generation):
    """Returns the message that tells what became of a task: "ADDED", "REPLACED" or
    "REMOVED"."""
    n = new("TaskNotice", task=task, change="TASK_CHANGE_" + change, generation=generation)
    return new("FollowFrameSetsResponse", task_notice=n)


def heartbeat():
    return new("FollowFrameSetsResponse", heartbeat=new("Heartbeat"))


def granted(answer):
    """Makes an answer to FollowFrameSets of a generator of messages by the first request
    and the context: a frame set waits until it is granted. The stream begins with whatever
    begins it, or else with the daemon "one"."""

    def follow(requests, context):
        start = next(requests).start
        left, begins = start.frame_sets, True
        for m in answer(start, context):
            if begins and not m.HasField("begun"):
                yield begun()
            begins = False
            while m.HasField("delivery") and not left:
                left += next(requests).grant.frame_sets
            left -= m.HasField("delivery")
            yield m

    return follow


def eventually(condition, within=120.0):
    """Waits until a condition of another process or thread holds."""
    end = time.monotonic() + within
    while not condition():
        if time.monotonic() > end:
            raise AssertionError(f"not within {within} s")
        time.sleep(0.01)


class Stopwatch:
    """Measures a time, less what the machine kept from this process meanwhile: how much longer
    short sleeps took than they should."""

    def __enter__(self):
        self._over, self._starved = threading.Event(), 0.0
        self._thread = threading.Thread(target=self._watch)
        self._thread.start()
        self._begin = time.monotonic()
        return self

    def _watch(self):
        step = 0.01
        while True:
            begin = time.monotonic()
            over = self._over.wait(step)
            if over:
                return
            # A sleep is late by some of a step on an idle machine too.
            self._starved += max(0.0, time.monotonic() - begin - 2 * step)

    def __exit__(self, *_):
        took = time.monotonic() - self._begin
        self._over.set()
        self._thread.join()
        self.seconds = took - self._starved


_loop = asyncio.new_event_loop()
atexit.register(_loop.close)


def run(coroutine):
    """Runs to the end what awaits. All tests share one event loop: gRPC logs errors of
    its own when a process closes one loop and begins another."""
    return _loop.run_until_complete(coroutine)


def hold(context):
    """Keeps a stream of a fake server open until its client leaves."""
    while context.is_active():
        time.sleep(0.02)
