"""The clock of the daemon's host."""

import asyncio
import math
import random
import time
import unittest

import facetd
from facetd import _clock
from facetd.frames import FrameSet

from . import rig


class RemoteClock(unittest.TestCase):
    def test_the_true_time_is_within_what_is_told(self):
        seed = random.randrange(2**32)
        rng = random.Random(seed)
        remote, now, other, drift = _clock.Remote(), 10.0**15, 7e12, 0.0

        def go(ns):
            nonlocal now, other
            now, other = now + ns, other + ns * (1 + drift)

        def way():
            ns = 3e4 + rng.expovariate(1 / 5e6)
            return ns * 100 if rng.random() < 0.05 else ns

        worst = 0
        for i in range(600):
            drift = max(-1e-4, min(1e-4, drift + rng.gauss(0, 2e-6)))
            sent = math.floor(now)
            go(way())
            shown = int(other)
            go(way())
            remote.add(_clock.Trip(sent, math.ceil(now), shown))
            for _ in range(10):
                go(1e8)
                local, off = remote.at(int(other))
                self.assertLessEqual(abs(local - now), off + 2, seed)
                worst = max(worst, off if i > 100 else 0)
        self.assertLess(worst, 10_000_000, seed)

    def test_a_clock_that_was_set_is_believed_at_the_third_trip(self):
        remote = _clock.Remote()
        with self.assertRaises(ValueError):
            remote.at(5)
        for i, shift in enumerate((0, 0, 10**9, 0, 10**9, 10**9, 10**9)):
            at = 10**12 + i * 10**9
            remote.add(_clock.Trip(at, at + 100, at + 50 + shift))
            if i == 5:
                self.assertLess(abs(remote.at(10**12)[0] - 10**12), 10**7)
        self.assertLess(abs(remote.at(10**12)[0] - (10**12 - 10**9)), 10**7)


class DaemonClock(unittest.TestCase):
    def test_frames_are_as_old_as_they_are(self):
        with rig.Daemon() as daemon, facetd.connect(daemon.address) as client:
            clock = client.clock()
            before, shown, after = clock.now(), time.monotonic_ns(), clock.now()
            at, off = clock.time(shown)
            self.assertTrue(at + off >= before and at - off <= after and off > 0)
            with client.stream(["bed"]) as stream:
                fs = stream.next(30.0)
                client.ask_clock(clock)
                told, least = clock.age(fs), (time.monotonic_ns() - min(f.light_monotonic_ns for f in fs.frames)) / 1e9 - 1
            self.assertGreaterEqual(told, max(least, 0))
            self.assertLess(told, least + 30)
            shot = client.capture(("wall-00",)).frame_set
            self.assertTrue(shot.shared_clock)
            self.assertLess(clock.age(shot), 30)
            self.assertEqual(clock.age(FrameSet.of(rig.frame_set())), math.inf)
            self.assertEqual(clock.age(FrameSet.of(shot_message(shot), host_boot_id="another")), math.inf)

    def test_asyncio_has_the_same(self):
        async def ask(address):
            async with await facetd.aio.connect(address) as client:
                clock = await client.clock()
                await client.ask_clock(clock)
                return clock.time(time.monotonic_ns())

        with rig.Daemon() as daemon:
            at, off = asyncio.run(ask(daemon.address))
            self.assertTrue(0 < off < 10**10 and at > 0)


def shot_message(fs):
    """Returns a message with a frame like those of a set."""
    f = fs.frames[0]
    return rig.frame_set(frames=[rig.frame(first_sample_monotonic_ns=f.light_monotonic_ns)])
