#!/usr/bin/env python3
"""Prints throughput and latency of this client beside a bare gRPC stream in Python, in
the same run, with the ratio. A look, not a gate.

    FACETD_BINARY=./facetd PYTHONPATH=. python3 bench.py

Throughput: a server in a process of its own sends frame sets of the demo's ring (12
frames of 20 x 20, and 12 of 40 x 40) as fast as it can; each reader turns every frame
into an array and adds up one row. Rounds alternate, the median is printed. The
server, in Python too, is part of what is measured. Latency: of
the real daemon's demo, from the end of a set's last conversion (by its time stamp and
bus times) to the reader's hand.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import os
import queue
import statistics
import sys
import time
from collections.abc import Callable, Iterator
from typing import Any

import grpc
import numpy as np

import facetd
from facetd._channel import Endpoint
from facetd._follow import MAX_WINDOW, Follower, StreamOptions
from facetd._schema import schema

sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
from tests import rig  # noqa: E402

SETS, ROUNDS = 1500, 3
QUEUE = StreamOptions(overflow="queue", queue_length=1024)
METHOD = "/facetd.v1.FrameService/FollowFrameSets"


def serve(side: int, pipe: Any) -> None:
    """Runs a server that sends SETS frame sets to each stream."""
    frames = [
        rig.frame(f"wall-{i:02d}", side, side, bytes(2 * side * side), first_sample_time=rig.stamp(time.time_ns()), row_offset_ns=range(side))
        for i in range(12)
    ]
    sets = [rig.response("wall", job, frames) for job in range(SETS)]
    with rig.Fake({"FrameService/FollowFrameSets": rig.granted(lambda r, c: iter(sets))}) as fake:
        pipe.send(fake.address)
        pipe.recv()


def asking(options: StreamOptions, ahead: int, came: queue.SimpleQueue[bool]) -> Iterator[Any]:
    """Begins a stream and grants so many frame sets ahead, as the client does."""
    yield options.start("", [], ahead)
    while came.get():
        for _ in range(ahead // 2 - 1):
            if not came.get():
                return
        yield Follower(options).grant(ahead // 2)


def bare(address: str, options: StreamOptions, handle: Callable[[Any], None], count: int) -> float:
    """Reads with gRPC and numpy alone; returns the seconds it took."""
    # The same options and a connection that is made, so that only the reading differs.
    with grpc.insecure_channel(address, Endpoint(address, None, None).options()) as channel:
        grpc.channel_ready_future(channel).result(10)
        stream = channel.stream_stream(
            METHOD,
            request_serializer=schema.message("FollowFrameSetsRequest").SerializeToString,
            response_deserializer=schema.message("FollowFrameSetsResponse").FromString,
        )
        came: queue.SimpleQueue[bool] = queue.SimpleQueue()
        call, begin, n = stream(asking(options, MAX_WINDOW, came)), time.perf_counter(), 0
        for response in call:
            if response.HasField("delivery"):
                came.put(True)
                handle(response.delivery)
                n += 1
            if n == count:
                break
        took = time.perf_counter() - begin
        call.cancel()
        came.put(False)
        return took


def raw_rows(response: Any) -> None:
    for f in response.frame_set.frames:
        np.frombuffer(f.data, "<u2").reshape(f.rows, f.columns)[0].sum()


def rows(fs: facetd.FrameSet) -> None:
    for f in fs.frames:
        f.codes[0].sum()


def blocking(address: str) -> float:
    with facetd.connect(address) as client:
        begin = time.perf_counter()
        with client.stream(overflow="queue", queue_length=1024, reconnect=facetd.NO_RECONNECT) as stream:
            for fs in stream:
                rows(fs)
                if fs.job == SETS - 1:
                    return time.perf_counter() - begin
    raise AssertionError("the stream ended early")


async def awaited(address: str) -> float:
    async with facetd.aio.connect(address) as client:
        begin = time.perf_counter()
        async with client.stream(overflow="queue", queue_length=1024, reconnect=facetd.NO_RECONNECT) as stream:
            async for fs in stream:
                rows(fs)
                if fs.job == SETS - 1:
                    return time.perf_counter() - begin
    raise AssertionError("the stream ended early")


def throughput(loop: asyncio.AbstractEventLoop) -> None:
    for side in (20, 40):
        ours, theirs = multiprocessing.get_context("spawn").Pipe()
        server = multiprocessing.get_context("spawn").Process(target=serve, args=(side, theirs), daemon=True)
        server.start()
        address = ours.recv()
        readers: dict[str, Callable[[], float]] = {
            "bare gRPC": lambda: bare(address, QUEUE, raw_rows, SETS),
            "facetd": lambda: blocking(address),
            "facetd.aio": lambda: loop.run_until_complete(awaited(address)),
        }
        took: dict[str, list[tuple[float, float]]] = {name: [] for name in readers}
        for _ in range(ROUNDS):
            for name, read in readers.items():
                begin = time.process_time()
                took[name].append((read(), time.process_time() - begin))
        ours.send(None)
        server.join(5)
        base = [statistics.median(times) for times in zip(*took["bare gRPC"])]
        for name, rounds in took.items():
            t, cpu = (statistics.median(times) for times in zip(*rounds))
            mb = SETS * 12 * side * side * 2 / t / 1e6
            print(
                f"12 frames of {side} x {side}: {name:10} {SETS / t:7.0f} sets/s {mb:6.1f} MB/s of codes, {t / base[0]:.2f} of bare gRPC's time, "
                f"{1000 * cpu / SETS:.2f} ms of a processor a set, {cpu / base[1]:.2f} of bare gRPC's"
            )


def delays(sets: Iterator[tuple[int, int]]) -> str:
    ms = sorted((now - converted) / 1e6 for now, converted in sets)
    return f"median {statistics.median(ms):.2f} ms, 95 % {ms[len(ms) * 95 // 100]:.2f} ms, most {ms[-1]:.2f} ms of {len(ms)}"


def ages(address: str, interval: float) -> str:
    """Returns how old the light is that a slow reader gets, in ms."""
    with facetd.connect(address) as client, client.stream(["bow"]) as stream:
        ms = []
        for _ in range(int(max(20, 2 / interval))):
            time.sleep(interval)
            ms.append(1000 * stream.next(10).age())
    ms.sort()
    return f"median {statistics.median(ms):.1f} ms, most {ms[-1]:.1f} ms of {len(ms)}"


def latency() -> None:
    if not os.environ.get("FACETD_BINARY"):
        print("latency: FACETD_BINARY is not set")
        return
    with rig.Daemon() as daemon:

        def raw() -> Iterator[tuple[int, int]]:
            seen: list[tuple[int, int]] = []

            def handle(r: Any) -> None:
                now, f = time.time_ns(), r.frame_set.frames[-1]
                stamp = f.first_sample_time.seconds * 10**9 + f.first_sample_time.nanos
                seen.append((now, stamp + f.last_converted_bus_ns - f.first_sample_bus_ns))

            bare(daemon.address, QUEUE, handle, 300)
            return iter(seen)

        def ours() -> Iterator[tuple[int, int]]:
            with facetd.connect(daemon.address) as client, client.stream(overflow="queue") as stream:
                for n, fs in enumerate(stream):
                    if n == 300:
                        return
                    now, f = time.time_ns(), list(fs.frames)[-1]
                    yield now, f.first_sample_time_ns + f.last_converted_bus_ns - f.first_sample_bus_ns

        print("latency, bare gRPC:", delays(raw()))
        print("latency, facetd:   ", delays(ours()))
        for interval in (0.01, 0.1, 0.5):
            print(f"ages, one task at 50 Hz read every {1000 * interval:.0f} ms: {ages(daemon.address, interval)}")


def main() -> None:
    loop = asyncio.new_event_loop()
    throughput(loop)
    latency()
    loop.close()


if __name__ == "__main__":
    main()
