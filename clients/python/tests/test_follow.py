"""What a stream says that it lost, when it grants, and how it comes back: by itself in
virtual time, and both clients against a fake daemon."""

import random
import time
import unittest
from unittest import mock

import facetd
from facetd import _follow, _lost, frames

from . import rig


class Stream:
    """The part of a stream that has no clock, with its reader."""

    def __init__(self, **options):
        self.follower = _follow.Follower(_follow.StreamOptions(**options))
        self.gaps = _lost.GapTracker()
        self.connections = 0

    def connect(self, begun):
        self.connections += 1
        start = self.follower.start(0.0).start
        self.hear(begun)
        return start

    def hear(self, m, now=0.0):
        return self.follower.hear(m, now, 1000 * self.connections, 1)

    def read(self):
        self.follower.read(0.0)
        return self.gaps.frame_set(self.follower.take())

    def gap(self, m):
        """Returns the gap of a set that is received and read."""
        self.follower.read(0.0)
        self.hear(m)
        return self.read().gap


class Gaps(unittest.TestCase):
    def test_nothing_lost(self):
        s = Stream()
        s.connect(rig.begun(rig.followed("a", jobs_ended=5), rig.followed("b")))
        sets = (("a", 5), ("b", 0), ("a", 6), ("b", 1))
        self.assertEqual([s.gap(rig.response(task, job)) for task, job in sets], [None] * 4)

    def test_the_clock_of_a_daemon_on_this_host_is_shared(self):
        for theirs, ours, want in (("a", "a", True), ("a", "b", False), ("", "", False)):
            with self.subTest(theirs=theirs, ours=ours), mock.patch.object(frames, "BOOT", ours):
                s = Stream()
                s.connect(rig.begun(rig.followed("t"), boot=theirs))
                s.follower.read(0.0)
                s.hear(rig.response("t", 0))
                self.assertEqual(s.read().shared_clock, want)
        self.assertRegex(frames.BOOT, r"^[0-9a-f-]{36}( time:\[\d+\])?$")  # of Linux

    def test_dropped_sets_are_missing_jobs_of_their_task(self):
        s = Stream()
        s.connect(rig.begun(rig.followed("a", jobs_ended=3), rig.followed("b")))
        # Also before the first: the stream had begun.
        self.assertEqual(s.gap(rig.response("a", 5, dropped=2, dropped_total=2)), facetd.Gap(2, range(3, 5), 0, False, None, None, None))
        self.assertIsNone(s.gap(rig.response("b", 0, dropped_total=2)))
        self.assertEqual(s.gap(rig.response("a", 9, dropped=3, dropped_total=5)), facetd.Gap(3, range(6, 9), 0, False, 5, 40, 0))
        self.assertEqual(s.follower.dropped_total, 5)

    def test_a_connection_that_is_lost(self):
        s = Stream()
        s.connect(rig.begun(rig.followed("a", jobs_ended=5), rig.followed("quiet", jobs_ended=2)))
        s.gap(rig.response("a", 5, dropped_total=7))
        s.follower.broken()
        start = s.connect(rig.begun(rig.followed("a", 1, 9, True, 3), rig.followed("quiet", 1, 4), same=True))
        self.assertEqual((start.instance_id, [(p.task, p.generation, p.job) for p in start.after]), ("one", [("a", 1, 5)]))
        # And once more, before anything came.
        s.follower.broken()
        s.connect(rig.begun(rig.followed("a", 1, 11, True, 5), rig.followed("quiet", 1, 6), same=True))
        self.assertEqual(s.gap(rig.response("a", 12, dropped=1, dropped_total=1)), facetd.Gap(1, range(6, 12), 2, False, 5, 70, 2000))
        self.assertEqual(s.gap(rig.response("quiet", 6, dropped_total=1)), facetd.Gap(0, range(2, 6), 2, False, None, None, None))
        self.assertIsNone(s.gap(rig.response("a", 13, dropped_total=1)))
        self.assertEqual(s.follower.dropped_total, 8)

    def test_another_run_of_the_daemon(self):
        s = Stream()
        s.connect(rig.begun(rig.followed("a", jobs_ended=5), rig.followed("b")))
        s.gap(rig.response("a", 5))
        s.follower.broken()
        # The new run has overtaken the old one's numbers: only its name tells.
        s.connect(rig.begun(rig.followed("a", 1, 8), instance="two"))
        self.assertEqual(s.gap(rig.response("a", 9, left_out=1)), facetd.Gap(0, range(0, 9), 1, True, 5, None, 1000))
        self.assertIsNone(s.gap(rig.response("a", 10)))
        # A task that the new run has later.
        s.hear(rig.notice("b", "ADDED", 2))
        gap = s.gap(rig.response("b", 1, task_generation=2, left_out=1))
        self.assertEqual((gap.restarted, gap.replaced, gap.missing_jobs), (True, True, range(0, 1)))
        s.follower.broken()
        self.assertEqual(s.connect(rig.begun(instance="two", same=True)).instance_id, "two")

    def test_a_task_that_becomes_another(self):
        s = Stream(overflow="queue")
        s.connect(rig.begun(rig.followed("a")))
        s.gap(rig.response("a", 0))
        s.hear(rig.notice("a", "REPLACED", 4))
        gap = s.gap(rig.response("a", 5, task_generation=4, left_out=2))
        self.assertEqual(gap, facetd.Gap(0, range(3, 5), 0, False, 0, 50, 0, True))
        s.hear(rig.notice("a", "REMOVED", 4))
        s.hear(rig.notice("a", "ADDED", 6))
        self.assertEqual(s.gap(rig.response("a", 0, task_generation=6)), facetd.Gap(0, range(0), 0, False, 5, -50, 0, True))
        # While nobody listened: what was missed of the new one is not known.
        for begun, later in (
            (rig.begun(rig.followed("a", 7, 9), same=True), []),
            (rig.begun(same=True), [rig.notice("a", "ADDED", 8)]),
        ):
            s.follower.broken()
            s.connect(begun)
            for m in later:
                s.hear(m)
            gap = s.gap(rig.response("a", 9, task_generation=7 if not later else 8))
            self.assertEqual((gap.replaced, gap.restarted, gap.reconnects), (True, False, 1))
            self.assertEqual(gap.missing_jobs, None if not later else range(9, 9))

    def test_a_pause_is_no_gap(self):
        s = Stream(overflow="queue")
        s.connect(rig.begun(rig.followed("a")))
        s.gap(rig.response("a", 0))
        s.hear(rig.notice("a", "PAUSED", 1))
        self.assertIsNone(s.gap(rig.response("a", 1)))
        s.hear(rig.notice("a", "RESUMED", 1))
        self.assertIsNone(s.gap(rig.response("a", 2)))

    def test_a_task_that_is_added_has_no_gap(self):
        s = Stream()
        s.connect(rig.begun())
        s.follower.broken()
        s.connect(rig.begun(same=True))
        s.hear(rig.notice("new", "ADDED", 3))
        self.assertIsNone(s.gap(rig.response("new", 0, task_generation=3)))

    def test_decimated_streams_do_not_call_decimation_a_loss(self):
        s = Stream(max_rate_hz=10)
        s.connect(rig.begun(rig.followed("a")))
        gaps = [s.gap(rig.response("a", job, left_out=4 * (job > 0))) for job in (0, 5)]
        gaps.append(s.gap(rig.response("a", 10, left_out=4, dropped=1)))
        self.assertEqual(gaps[:2], [None, None])
        self.assertEqual((gaps[2].dropped, gaps[2].missing_jobs), (1, None))

    def test_random_streams_account_for_every_job(self):
        # Whatever a daemon drops, whenever the connection breaks, the task or the daemon becomes
        # another: a reader has each job of what it heard of, or its number.
        seed = time.time_ns()
        draw = random.Random(seed)
        for _ in range(30):
            Random(self, draw, f"seed {seed}").run()


class Random:
    """A daemon of one task that does what it likes, and a plain record of it."""

    def __init__(self, case, draw, seed):
        self.case, self.draw, self.seed = case, draw, seed
        self.stream = Stream(overflow=draw.choice(("latest", "queue")))
        self.instance, self.generation, self.job = 1, 1, draw.randrange(5)
        self.first = {}  # of each run and generation: the first job to be accounted for
        self.accounted = {}  # the same: jobs received and missed
        self.unknown = set()  # became what they are while nobody listened
        self.fresh = False  # nothing was sent of a generation whose first job is not told either
        self.connect()

    @property
    def who(self):
        return f"{self.instance}/{self.generation}"

    def connect(self):
        follower = self.stream.follower
        follower.broken()
        if self.fresh:
            self.unknown.add(self.who)
            self.fresh = False
        start = follower.start(0.0).start
        same, resumed, missed = start.instance_id == str(self.instance), False, 0
        for p in start.after:
            if same and p.generation == self.generation:
                resumed, missed = True, self.job - p.job - 1
        begun = rig.followed("t", self.generation, self.job, resumed, missed)
        self.stream.hear(rig.begun(begun, instance=str(self.instance), same=same))
        self.first.setdefault(self.who, self.job)
        self.next, self.total = self.job, 0

    def restart(self):
        self.instance, self.generation, self.job = self.instance + 1, 1, self.draw.randrange(5)
        self.fresh = False
        self.first[self.who] = 0  # those of a new run are named from its first on
        self.connect()

    def replace(self):
        self.generation += 1
        if self.draw.random() < 0.5:
            self.unknown.add(self.who)
            self.fresh = False
            return self.connect()
        self.first[self.who] = self.next = self.job
        self.fresh = True
        self.stream.hear(rig.notice("t", "REPLACED", self.generation))

    def end_job(self):
        self.job += 1
        if self.draw.random() < 0.5:
            return
        left_out = self.job - 1 - self.next
        self.total += left_out
        fields = dict(task_generation=self.generation, failure=self.who)  # by which it is known again
        self.stream.hear(rig.response("t", self.job - 1, dropped=left_out, dropped_total=self.total, **fields))
        self.next, self.fresh = self.job, False

    def run(self):
        reads = 0
        while reads < 40:
            act = self.draw.random()
            if act < 0.6:
                self.end_job()
            elif act < 0.9:
                reads += self.take()
            else:
                self.draw.choice((self.connect, self.connect, self.replace, self.restart))()

    def take(self):
        if not self.stream.follower.inbox:
            return 0
        fs = self.stream.read()
        missing = fs.gap.missing_jobs if fs.gap else range(0)
        if missing is None:
            self.case.assertIn(fs.failure, self.unknown, self.seed)
            self.case.assertTrue(fs.gap.replaced, self.seed)
            self.unknown.discard(fs.failure)
            self.first[fs.failure], missing = fs.job, ()
        self.case.assertNotIn(fs.failure, self.unknown, self.seed)
        mine = self.accounted.setdefault(fs.failure, set())
        self.case.assertFalse(mine & {*missing, fs.job}, f"{self.seed}: {fs.failure} {fs.gap}: told twice")
        mine |= {*missing, fs.job}
        self.case.assertEqual(mine, set(range(self.first[fs.failure], fs.job + 1)), f"{self.seed}: {fs.failure} {fs.gap}")
        return 1


class Waiting(unittest.TestCase):
    def test_inbox_against_a_plain_model(self):
        seed = time.time_ns()
        draw = random.Random(seed)
        inbox, model, sent, got, told = _lost.Inbox(True), [], 0, 0, 0
        for job in range(2000):
            if draw.random() < 0.7:
                task = draw.choice("abc")
                dropped = draw.choice((0, 0, 2))
                sent += 1 + dropped
                inbox.put(_lost.Arrival(rig.frame_set(task, job), 1, 1, _lost.Lost(0, dropped)))
                at = [i for i, (t, _) in enumerate(model) if t == task]
                if at:
                    model[at[0]] = (task, job)
                else:
                    model.append((task, job))
            elif model:
                a = inbox.take()
                self.assertEqual((a.message.task, a.message.job), model.pop(0), f"seed {seed}")
                got += 1
                told += a.lost.dropped
            self.assertEqual(len(inbox), len(model))
        while len(inbox):
            got += 1
            told += inbox.take().lost.dropped
        self.assertEqual(sent, got + told, f"seed {seed}")
        self.assertLess(inbox.dropped, told)
        queue = _lost.Inbox(False)
        for job in range(5):
            queue.put(_lost.Arrival(rig.frame_set("ab"[job % 2], job), 1, 1, _lost.Lost(0)))
        self.assertEqual([queue.take().message.job for _ in range(5)], list(range(5)))

    def test_when_a_daemon_is_silent(self):
        f = _follow.Follower(_follow.StreamOptions(heartbeat=0.5))
        self.assertIsNone(f.silent_at())
        f.start(10.0)
        self.assertEqual(f.silent_at(), 11.5)
        f.hear(rig.begun(rig.followed()), 11.0, 1, 1)
        self.assertIsNone(f.silent_at(), "nothing is granted: the daemon has nothing to say")
        self.assertEqual(f.read(100.0), 1)
        self.assertEqual(f.silent_at(), 101.5)
        f.hear(rig.heartbeat(), 101.0, 1, 1)
        self.assertEqual(f.silent_at(), 102.5)
        f.leave(102.0)
        self.assertEqual(f.read(102.2), 0)
        self.assertEqual(f.silent_at(), 102.5, "a read that times out and its successor wait for the same word")
        f.hear(rig.response(), 102.4, 1, 1)
        f.take()
        self.assertIsNone(f.silent_at())
        f.broken()
        self.assertEqual(f.read(103.0), 0)
        self.assertIsNone(f.silent_at())
        self.assertEqual(f.start(104.0).start.frame_sets, 1)

    def test_what_cannot_be(self):
        for before, m in (([], rig.heartbeat()), ([rig.begun()], rig.begun())):
            f = _follow.Follower(_follow.StreamOptions())
            f.start(0.0)
            for b in before:
                f.hear(b, 0.0, 1, 1)
            with self.assertRaisesRegex(ValueError, "where that cannot be"):
                f.hear(m, 0.0, 1, 1)


class Return(unittest.TestCase):
    """Of a daemon that hangs, or is away."""

    def both(self, answer, use, **options):
        """Runs use with a function that returns the next set of either kind of stream."""
        with rig.Fake({"FrameService/FollowFrameSets": rig.granted(answer)}) as fake:
            with facetd.connect(fake.address) as c, c.stream(**options) as s:
                use(lambda t=10: s.next(t), s)

            async def awaited():
                c = await facetd.aio.connect(fake.address)
                return c, await c.stream(**options).__aenter__()

            c, s = rig.run(awaited())
            use(lambda t=10: rig.run(s.next(t)), s)
            rig.run(c.close())

    def test_a_silent_daemon_counts_as_gone(self):
        def answer(r, context):
            yield rig.begun(rig.followed())
            rig.hold(context)

        def use(next_set, stream):
            with self.assertRaisesRegex(facetd.UnavailableError, r"nothing was heard of the daemon at 127.0.0.1:\d+ for 0.15 s"):
                next_set()
            self.assertFalse(stream.connected)

        self.both(answer, use, heartbeat=0.05, reconnect=facetd.NO_RECONNECT)

    def test_a_stream_goes_on_behind_a_silence_and_a_daemon_that_does_not_begin(self):
        calls = []

        def answer(r, context):
            calls.append(r)
            if len(calls) == 1:
                yield rig.begun(rig.followed())
                yield rig.response(job=0)
                rig.hold(context)
            elif len(calls) == 2:
                rig.hold(context)
            yield rig.begun(rig.followed(jobs_ended=3, resumed=True, missed=2), same=True)
            yield rig.response(job=3)
            rig.hold(context)

        def use(next_set, stream):
            self.assertIsNone(next_set().gap)
            polls = 0
            while True:  # the time limits of reads are shorter than the silence
                try:
                    fs = next_set(0.1)
                    break
                except facetd.DeadlineError:
                    polls += 1
            self.assertGreater(polls, 3)
            self.assertEqual((fs.job, fs.gap.missing_jobs, fs.gap.reconnects), (3, range(1, 3), 1))
            self.assertIn("nothing was heard", str(stream.last_error))
            self.assertEqual([(p.task, p.job) for r in calls for p in r.after], [("t", 0), ("t", 0)])
            calls.clear()

        self.both(answer, use, heartbeat=0.1)

    def test_frames_within_a_second_of_the_daemons_return(self):
        def daemon(instance, port=0):
            def answer(r, context):
                yield rig.begun(rig.followed(), instance=instance)
                for job in range(1000):
                    yield rig.response(job=job)

            return rig.Fake({"FrameService/FollowFrameSets": rig.granted(answer)}, address=f"127.0.0.1:{port}")

        def rounds(fake, next_set):
            took = []
            for n in range(3):
                next_set()
                fake.__exit__()
                with self.assertRaises(facetd.DeadlineError):
                    next_set(1.0)
                fake = daemon(f"run {n}", fake.port)
                with rig.Stopwatch() as watch:
                    fs = next_set()
                took.append(watch.seconds)
                self.assertTrue(fs.gap.restarted)
            fake.__exit__()
            self.assertLess(sorted(took)[1], 1.0, took)

        async def awaited(address):
            c = await facetd.aio.connect(address)
            return c, await c.stream().__aenter__()

        fake = daemon("first")
        with facetd.connect(fake.address) as c, c.stream() as s:
            rounds(fake, lambda t=20: s.next(t))
        fake = daemon("first")
        c, s = rig.run(awaited(fake.address))
        rounds(fake, lambda t=20: rig.run(s.next(t)))
        rig.run(c.close())
