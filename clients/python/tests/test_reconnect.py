"""Streams over a daemon that is killed and started again, over a connection that is cut,
and over a daemon that hangs."""

import asyncio
import time
import unittest

import facetd

from . import rig

SOON = facetd.Backoff(0.05, 0.2)


def check_restart(case, before, after, down_s):
    """before: the last set of each task; after: the first of each, of the new run."""
    for task, fs in after.items():
        last, gap = before[task], fs.gap
        case.assertEqual((gap.reconnects, gap.restarted, gap.bus_gap_ns), (1, True, None), task)
        case.assertEqual(gap.previous_job, last.job)
        case.assertEqual(gap.missing_jobs, range(0, fs.job))
        case.assertEqual(gap.host_gap_ns, fs.light_time_ns - last.light_time_ns)
        case.assertGreaterEqual(gap.host_gap_ns, down_s * 1e9)
        case.assertEqual((gap.dropped, gap.replaced), (0, False))


class Restart(unittest.TestCase):
    DOWN = 0.5

    def test_blocking(self):
        daemon = rig.Daemon()
        with facetd.connect(daemon.address) as c, c.stream(["bed", "bow"], overflow="queue", queue_length=1024, reconnect=SOON) as s:
            before, after = {}, {}
            while len(before) < 2 or before["bed"].job < 5:
                fs = s.next(20)
                self.assertIsNone(fs.gap)
                before[fs.task] = fs
            daemon.kill()
            while True:  # what had come already
                try:
                    fs = s.next(self.DOWN)
                except facetd.DeadlineError:
                    break
                before[fs.task] = fs
            self.assertFalse(s.connected)
            self.assertIsInstance(s.last_error, facetd.UnavailableError)
            with self.assertRaises(facetd.UnavailableError):
                c.status()
            with rig.Daemon("--seed", "2", port=daemon.port):
                while len(after) < 2:
                    fs = s.next(20)
                    if fs.task not in after:
                        after[fs.task] = fs
                    else:
                        self.assertIsNone(fs.gap)
                check_restart(self, before, after, self.DOWN)
                self.assertTrue(s.connected)
                self.assertEqual(c.status().seed, 2)

    def test_asyncio(self):
        async def use():
            daemon = rig.Daemon()
            async with facetd.aio.connect(daemon.address) as c:
                async with c.stream(["bed", "bow"], overflow="queue", queue_length=1024, reconnect=SOON) as s:
                    before, after = {}, {}
                    while len(before) < 2 or before["bed"].job < 5:
                        fs = await s.next(20)
                        self.assertIsNone(fs.gap)
                        before[fs.task] = fs
                    daemon.kill()
                    while True:
                        try:
                            fs = await s.next(self.DOWN)
                        except facetd.DeadlineError:
                            break
                        before[fs.task] = fs
                    self.assertFalse(s.connected)
                    self.assertIsInstance(s.last_error, facetd.UnavailableError)
                    with rig.Daemon("--seed", "2", port=daemon.port):
                        while len(after) < 2:
                            fs = await s.next(20)
                            after.setdefault(fs.task, fs)
                        check_restart(self, before, after, self.DOWN)
                        self.assertEqual((await c.status()).seed, 2)

        rig.run(use())


class Cut(unittest.TestCase):
    """The daemon goes on; a second client without the relay sees every job."""

    def check(self, reference, got):
        """Everything of each task's reference was received or is named as missing."""
        gaps = 0
        for task in ("bed", "bow"):
            mine = [fs for fs in got if fs.task == task]
            every = {fs.job: fs for fs in reference if fs.task == task}
            accounted = set()
            for fs in mine:
                self.assertEqual(fs.release_bus_ns, every[fs.job].release_bus_ns)
                if fs.gap:
                    gaps += 1
                    self.assertEqual((fs.gap.reconnects, fs.gap.restarted, fs.gap.replaced), (1, False, False))
                    self.assertGreater(len(fs.gap.missing_jobs), 0)
                    accounted |= set(fs.gap.missing_jobs)
                    before = every[fs.gap.previous_job]
                    self.assertEqual(fs.gap.bus_gap_ns, fs.release_bus_ns - before.release_bus_ns)
                    self.assertEqual(fs.gap.host_gap_ns, fs.light_time_ns - before.light_time_ns)
            received = {fs.job for fs in mine}
            self.assertFalse(received & accounted)
            self.assertEqual(received | accounted, set(range(min(received), max(received) + 1)))
            self.assertLessEqual(received | accounted, set(every))
        self.assertEqual(gaps, 2)

    def drain(self, stream, until):
        sets = []
        while not sets or any(max((fs.job for fs in sets if fs.task == t), default=-1) < job for t, job in until.items()):
            sets.append(stream.next(20))
        return sets

    def test_blocking(self):
        options = dict(tasks=["bed", "bow"], overflow="queue", queue_length=1024)
        with rig.Daemon() as daemon:
            relay = rig.Relay(daemon.port)
            self.addCleanup(relay.close)
            with facetd.connect(daemon.address) as direct, direct.stream(**options) as all_, facetd.connect(relay.address) as c:
                with c.stream(reconnect=SOON, **options) as s:
                    got = [s.next(20) for _ in range(10)]
                    relay.cut()
                    while s.connected:
                        try:
                            got.append(s.next(0.05))
                        except facetd.DeadlineError:
                            pass
                    time.sleep(0.5)
                    relay.restore()
                    while sum(fs.gap is not None for fs in got) < 2:
                        got.append(s.next(20))
                    last = {fs.task: fs.job for fs in got}
                    self.check(self.drain(all_, last), got)

    def test_asyncio(self):
        options = dict(tasks=["bed", "bow"], overflow="queue", queue_length=1024)

        async def use(address, relay):
            async with facetd.aio.connect(address) as c, c.stream(reconnect=SOON, **options) as s:
                got = [await s.next(20) for _ in range(10)]
                relay.cut()
                while s.connected:
                    try:
                        got.append(await s.next(0.05))
                    except facetd.DeadlineError:
                        pass
                await asyncio.sleep(0.5)
                relay.restore()
                while sum(fs.gap is not None for fs in got) < 2:
                    got.append(await s.next(20))
                return got

        with rig.Daemon() as daemon:
            relay = rig.Relay(daemon.port)
            self.addCleanup(relay.close)
            with facetd.connect(daemon.address) as direct, direct.stream(**options) as all_:
                got = rig.run(use(relay.address, relay))
                self.check(self.drain(all_, {fs.task: fs.job for fs in got}), got)


class Return(unittest.TestCase):
    """A daemon that was away for a moment: its frames are there again within a second."""

    AWAY = 0.3

    def rounds(self, daemon, next_set):
        took = []
        for _ in range(3):  # of which the machine may have been busy in one
            next_set()
            daemon.kill()
            time.sleep(self.AWAY)
            daemon = rig.Daemon(port=daemon.port)
            self.addCleanup(daemon.__exit__)
            with rig.Stopwatch() as watch:
                fs = next_set()
                while not (fs.gap and fs.gap.restarted):  # what had come before the end
                    fs = next_set()
            took.append(watch.seconds)
        self.assertLess(sorted(took)[1], 1.0, took)

    def test_blocking(self):
        daemon = rig.Daemon()
        with facetd.connect(daemon.address) as c, c.stream(["bed"]) as s:
            self.rounds(daemon, lambda: s.next(20))

    def test_asyncio(self):
        daemon = rig.Daemon()

        async def begin():
            c = await facetd.aio.connect(daemon.address)
            return c, await c.stream(["bed"]).__aenter__()

        c, s = rig.run(begin())
        self.rounds(daemon, lambda: rig.run(s.next(20)))
        rig.run(c.close())


class Hang(unittest.TestCase):
    def test_silence_of_a_daemon_that_hangs_is_noticed_and_old_frames_are_stale(self):
        with rig.Daemon() as daemon, facetd.connect(daemon.address, timeout=0.5) as c, c.stream(["bow"]) as s:
            last = s.next(20)
            daemon.pause()
            with self.assertRaises(facetd.DeadlineError):
                while True:
                    last = s.next(0.5)
            self.assertTrue(last.is_stale(0.4))
            with self.assertRaises(facetd.StaleError):
                last.check_fresh(0.4)
            with self.assertRaises(facetd.DeadlineError):
                c.status()
            daemon.resume()
            self.assertGreater(s.next(20).job, last.job)
