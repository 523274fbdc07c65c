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
    request and context, which is a generator for a stream."""

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
        make = grpc.unary_stream_rpc_method_handler if name in _calls.STREAMS else grpc.unary_unary_rpc_method_handler
        return make(
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


def response(task="t", job=0, frames=(), dropped=0, decimated=0, **fields):
    fs = new("FrameSet", task=task, job=job, frames=list(frames), release_bus_ns=job * 10, **fields)
    return new("StreamFrameSetsResponse", frame_set=fs, dropped=dropped, decimated_total=decimated)


def eventually(condition, within=20.0):
    """Waits until a condition of another process or thread holds."""
    end = time.monotonic() + within
    while not condition():
        if time.monotonic() > end:
            raise AssertionError(f"not within {within} s")
        time.sleep(0.01)


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
