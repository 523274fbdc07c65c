"""Both clients against a server that does what a real daemon does not, or not at will."""

import asyncio
import os
import threading
import time
import unittest
from unittest import mock

import grpc

import facetd
from facetd._schema import new

from . import rig


class Calls(unittest.TestCase):
    def test_the_token_goes_with_every_call(self):
        answers = {
            "FrameService/FollowFrameSets": rig.granted(lambda r, c: iter([rig.response()])),
            "EventService/StreamEvents": lambda r, c: iter([new("StreamEventsResponse")]),
            "ArrayService/GetArray": lambda r, c: new("GetArrayResponse"),
        }
        tokens = iter(f"token-{i}" for i in range(100))
        with rig.Fake(answers) as fake:
            with facetd.connect(fake.address, token="secret") as c:
                c.array()
                next(c.stream(reconnect=facetd.NO_RECONNECT))
                next(c.watch_events())

            async def use():
                async with facetd.aio.connect(fake.address, token=lambda: next(tokens)) as c:
                    await c.array()
                    await c.stream(reconnect=facetd.NO_RECONNECT).next(5)
                    await c.watch_events().__anext__()

            blocking = len(fake.metadata)
            self.assertGreaterEqual(blocking, 4)
            self.assertEqual({m.get("authorization") for _, m in fake.metadata}, {"Bearer secret"})
            rig.run(use())
            later = [m.get("authorization") for _, m in fake.metadata[blocking:]]
            self.assertEqual(sorted(later), sorted(f"Bearer token-{i}" for i in range(len(later))))
            self.assertGreaterEqual(len(later), 4)
            with facetd.connect(fake.address):
                self.assertNotIn("authorization", fake.metadata[-1][1])

    def test_codes_become_errors(self):
        codes = {
            "UNAVAILABLE": facetd.UnavailableError, "INVALID_ARGUMENT": facetd.InvalidError, "NOT_FOUND": facetd.NotFoundError,
            "FAILED_PRECONDITION": facetd.PreconditionError, "ALREADY_EXISTS": facetd.ExistsError,
            "UNAUTHENTICATED": facetd.AccessError, "PERMISSION_DENIED": facetd.AccessError,
            "RESOURCE_EXHAUSTED": facetd.ExhaustedError, "INTERNAL": facetd.FacetdError, "CANCELLED": facetd.CancelledError,
        }  # fmt: skip

        def refuse(r, context):
            # Details that are not a status must not hide what happened.
            context.set_trailing_metadata((("grpc-status-details-bin", b"\xff\xff\xff"),))
            context.abort(grpc.StatusCode[r.name], "because")

        with rig.Fake({"TaskService/GetTask": refuse}) as fake, facetd.connect(fake.address) as c:
            for code, cls in codes.items():
                with self.assertRaises(cls) as got:
                    c.task(code)
                self.assertIs(type(got.exception), cls)
                self.assertEqual(got.exception.code, code)
                self.assertIn("because", str(got.exception))
            with self.assertRaises(facetd.UnsupportedError):
                c.array()
        with self.assertRaises(facetd.CancelledError):
            c.status()

    def test_changes_of_tasks_are_sent_again(self):
        ids = []

        def unavailable(message):
            def answer(r, context):
                ids.append(r.request_id)
                if len(ids) % 2:
                    context.abort(grpc.StatusCode.UNAVAILABLE, "not now")
                return new(message)

            return answer

        answers = {
            "TaskService/DeleteTask": unavailable("DeleteTaskResponse"),
            "TaskService/TriggerTask": unavailable("TriggerTaskResponse"),
        }
        with rig.Fake(answers) as fake:
            with facetd.connect(fake.address) as c:
                c.remove_task("a")
                c.remove_task("a")

            async def use():
                async with facetd.aio.connect(fake.address) as c:
                    await c.remove_task("a")
                    # The daemon forgets with a restart which jobs were triggered: the caller decides.
                    with self.assertRaises(facetd.UnavailableError):
                        await c.trigger("a")

            rig.run(use())
        self.assertEqual((ids[0], ids[2], ids[4]), (ids[1], ids[3], ids[5]))
        self.assertEqual((len(ids), len(set(ids)), min(map(len, ids))), (7, 4, 32))

    def test_deadlines(self):
        release = threading.Event()

        def slow(r, context):
            release.wait(10)
            return new("GetArrayResponse")

        async def awaited(address):
            async with facetd.aio.connect(address, timeout=0.2) as c:
                with self.assertRaises(facetd.DeadlineError):
                    await c.array()
                # Cancelling the task that waits cancels the call, and stays a cancellation.
                waiting = asyncio.ensure_future(c.array(timeout=60))
                await asyncio.sleep(0.05)
                waiting.cancel()
                with self.assertRaises(asyncio.CancelledError):
                    await waiting

        with rig.Fake({"ArrayService/GetArray": slow}) as fake:
            with facetd.connect(fake.address, timeout=0.2) as c, self.assertRaises(TimeoutError):
                c.array()
            rig.run(awaited(fake.address))
            release.set()

    def test_nobody_there(self):
        begin = time.monotonic()
        with self.assertRaises((facetd.UnavailableError, facetd.DeadlineError)):
            facetd.connect("unix:/nonexistent/socket", connect_timeout=0.5)
        self.assertLess(time.monotonic() - begin, 10)

    def test_generic_call(self):
        scene = lambda r, c: new("SetSceneResponse", environment=new("Environment", scene=r.scene), effective_bus_ns=7)  # noqa: E731
        with rig.Fake({"SceneService/SetScene": scene}) as fake, facetd.connect(fake.address) as c:
            self.assertEqual(
                c.call("SceneService/SetScene", {"scene": "uniform:3"}),
                {"environment": {"scene": "uniform:3"}, "effective_bus_ns": "7"},
            )
            for method, request in (("SceneService/Nix", {}), ("FrameService/FollowFrameSets", {}), ("SceneService/SetScene", {"nix": 1})):
                with self.assertRaises(ValueError):
                    c.call(method, request)

    @unittest.skipUnless(os.environ.get("FACETD_CERTIFICATES"), "FACETD_CERTIFICATES is not set; go test ./clients/python sets it")
    def test_tls_with_certificates_of_both_sides(self):
        name = lambda file: os.path.join(os.environ["FACETD_CERTIFICATES"], file)  # noqa: E731
        read = lambda file: open(name(file), "rb").read()  # noqa: E731
        credentials = grpc.ssl_server_credentials([(read("server.key"), read("server.pem"))], read("ca.pem"), True)
        with rig.Fake({}, credentials) as fake:
            tls = facetd.TLS(ca=name("ca.pem"), cert=name("client.pem"), key=name("client.key"), server_name="facetd.test")
            with facetd.connect(fake.address, tls=tls, token="secret") as c:
                self.assertEqual(c.status().state, facetd.State.UNKNOWN)
            self.assertEqual(fake.metadata[-1][1]["authorization"], "Bearer secret")

            async def awaited():
                async with facetd.aio.connect(fake.address, tls=tls) as c:
                    return (await c.status()).state

            self.assertEqual(rig.run(awaited()), facetd.State.UNKNOWN)
            for wrong in (
                facetd.TLS(ca=name("other.pem"), cert=name("client.pem"), key=name("client.key"), server_name="facetd.test"),
                facetd.TLS(ca=name("ca.pem"), server_name="facetd.test"),
                facetd.TLS(ca=name("ca.pem"), cert=name("client.pem"), key=name("client.key"), server_name="other.test"),
                None,
            ):
                with self.assertRaises((facetd.UnavailableError, facetd.DeadlineError), msg=str(wrong)):
                    facetd.connect(fake.address, tls=wrong, connect_timeout=1)


class Streams(unittest.TestCase):
    def both(self, answer, use, granted=True, **options):
        """Runs use with a blocking stream, and with the asyncio one made blocking; it
        gets a function that returns the next set."""
        answers = {"FrameService/FollowFrameSets": rig.granted(answer) if granted else answer}
        with rig.Fake(answers) as fake:
            with facetd.connect(fake.address) as c, c.stream(**options) as s:
                use(lambda t=5: s.next(t), s)
        with rig.Fake(answers) as fake:
            async def open_():
                c = await facetd.aio.connect(fake.address)
                s = c.stream(**options)
                await s.__aenter__()
                return c, s

            c, s = rig.run(open_())
            use(lambda t=5: rig.run(s.next(t)), s)
            rig.run(c.close())

    def test_a_bad_frame_is_an_error_and_the_next_set_still_comes(self):
        sets = [rig.response(job=0, frames=[rig.frame(data=bytes(3))]), rig.response(job=1, frames=[rig.frame()])]

        def answer(r, context):
            yield from sets
            rig.hold(context)

        def use(next_set, stream):
            with self.assertRaisesRegex(facetd.BadFrameError, "3 bytes of data, but 2 rows of 3 columns"):
                next_set()
            fs = next_set()
            # What was lost before the bad one is told with this.
            self.assertEqual((fs.job, fs.gap.missing_jobs, fs.gap.dropped), (1, range(0, 1), 0))

        self.both(answer, use, overflow="queue")

    def test_a_read_that_times_out_leaves_new_sets_behind_it_and_counts_the_others(self):
        go = threading.Event()

        def answer(r, context):
            yield rig.begun(rig.followed("fast"), rig.followed("slow"), rig.followed("last"))
            go.wait(10)
            for job in range(301):
                if job != 7:
                    dropped = {"dropped": int(job == 8), "dropped_total": int(job >= 8)}
                    yield rig.response("fast", job, [rig.frame()], **dropped)
                if job in (0, 100):
                    yield rig.response("slow", job // 100, [rig.frame()], dropped_total=int(job >= 8))
            yield rig.response("last", 0, dropped_total=1)
            rig.hold(context)

        def use(next_set, stream):
            with self.assertRaises(facetd.DeadlineError):
                next_set(0.01)
            go.set()
            # All comes while nobody reads; the loop must run for that.
            rig.eventually(lambda: rig.run(asyncio.sleep(0.01, True)) and stream.dropped == 299 + 1 + 1)
            self.assertEqual([(fs.task, fs.job) for fs in (next_set(), next_set(), next_set())], [("fast", 300), ("slow", 1), ("last", 0)])
            self.assertEqual(stream.dropped, 301)
            go.clear()

        self.both(answer, use)

    def test_what_a_read_that_timed_out_left_says_what_it_replaced(self):
        go = threading.Event()

        def answer(r, context):
            yield rig.begun(rig.followed())
            yield rig.response(job=0)
            go.wait(10)
            yield rig.response(job=3, left_out=2, dropped=2, dropped_total=2)
            yield rig.response(job=4, dropped_total=2)
            rig.hold(context)

        def use(next_set, stream):
            self.assertIsNone(next_set().gap)
            with self.assertRaises(facetd.DeadlineError):
                next_set(0.01)
            go.set()
            rig.eventually(lambda: rig.run(asyncio.sleep(0.01, True)) and stream.dropped == 3)
            self.assertEqual(next_set().gap, facetd.Gap(3, range(1, 4), 0, False, 0, 40, mock.ANY))
            go.clear()

        self.both(answer, use)

    def test_latest_grants_with_the_read_alone(self):
        grants = []

        def follow(requests, context):
            grants.append(("start", next(requests).start.frame_sets))
            yield rig.begun(rig.followed())
            for job, request in enumerate(requests):
                grants.append((job, request.grant.frame_sets))
                yield rig.response(job=job)

        def use(next_set, stream):
            for job in range(3):
                rig.run(asyncio.sleep(0.02))
                self.assertEqual(next_set().job, job)
            rig.eventually(lambda: rig.run(asyncio.sleep(0.02, True)) and len(grants) > 3)
            self.assertEqual(grants, [("start", 0), (0, 1), (1, 1), (2, 1)])
            grants.clear()

        self.both(follow, use, granted=False)

    def test_a_queue_is_granted_ahead_within_its_window(self):
        granted, most = [0], []

        def follow(requests, context):
            granted[0] = next(requests).start.frame_sets
            yield rig.begun(rig.followed())
            for job in range(100):
                while not granted[0]:
                    granted[0] += next(requests).grant.frame_sets
                    most.append(granted[0])
                granted[0] -= 1
                yield rig.response(job=job)
            rig.hold(context)

        def use(next_set, stream):
            self.assertEqual([next_set().job for _ in range(100)], list(range(100)))
            self.assertLessEqual(max(most), 5)
            self.assertGreater(max(most), 1)
            most.clear()

        self.both(follow, use, granted=False, overflow="queue", queue_length=5)

    def test_silence_is_noticed_and_the_stream_goes_on(self):
        release = threading.Event()

        def answer(r, context):
            yield rig.response(job=0)
            release.wait(10)
            yield rig.response(job=1)
            rig.hold(context)

        def use(next_set, stream):
            self.assertEqual(next_set().job, 0)
            with self.assertRaises(facetd.DeadlineError):
                next_set(0.1)
            self.assertTrue(stream.connected)
            release.set()
            self.assertEqual(next_set().job, 1)
            release.clear()

        self.both(answer, use)

    def test_a_stream_that_is_refused_later_raises_after_what_came(self):
        calls = []

        def answer(r, context):
            calls.append(1)
            if len(calls) % 2:
                yield rig.response(job=3)
                context.abort(grpc.StatusCode.UNAVAILABLE, "going down")
            context.abort(grpc.StatusCode.NOT_FOUND, "no such task any more")

        def use(next_set, stream):
            self.assertEqual(next_set().job, 3)
            for _ in range(2):
                with self.assertRaisesRegex(facetd.NotFoundError, "no such task any more"):
                    next_set()

        self.both(answer, use, reconnect=facetd.Backoff(0.01, 0.01))

    def test_giving_up(self):
        def answer(r, context):
            yield rig.response(job=3)
            context.abort(grpc.StatusCode.UNAVAILABLE, "going down")

        def use(next_set, stream):
            self.assertEqual(next_set().job, 3)
            with self.assertRaisesRegex(facetd.UnavailableError, "going down"):
                next_set()
            self.assertFalse(stream.connected)
            self.assertIn("going down", str(stream.last_error))

        self.both(answer, use, reconnect=facetd.NO_RECONNECT)

    def test_the_request_says_what_was_asked(self):
        requests = []

        def answer(r, context):
            requests.append(r)
            yield rig.response()
            rig.hold(context)

        def use(next_set, stream):
            next_set()
            r = requests[-1]
            self.assertEqual((list(r.selection.tasks), r.selection.codes, r.max_rate_hz, r.overflow, r.queue_length), (["bed"], 2, 4.0, 2, 9))
            self.assertEqual((r.instance_id, list(r.after), r.heartbeat_interval.seconds), ("", [], 2))

        self.both(answer, use, tasks=["bed"], corrected=True, max_rate_hz=4, overflow="queue", queue_length=9, heartbeat=2)
        self.assertEqual(len(requests), 2)

    def test_close_wakes_a_reader_and_leaves_no_thread(self):
        def answer(r, context):
            yield rig.response()
            rig.hold(context)

        def threads():
            return [t for t in threading.enumerate() if t.name == "facetd-stream"]

        def senders():  # gRPC's, some of the requests of a stream: they end a moment later
            return [t for t in threading.enumerate() if t.name.endswith("(_run)")]

        with rig.Fake({"FrameService/FollowFrameSets": rig.granted(answer)}) as fake, facetd.connect(fake.address) as c:
            s = c.stream()
            next(s)
            threading.Timer(0.1, s.close).start()
            self.assertEqual(list(s), [])
            with self.assertRaises(facetd.CancelledError):
                s.next(1)
            s.close()
            for fs in c.stream():  # a stream that nobody holds any more
                break
            self.assertEqual(threads(), [])
            left = c.stream()
            next(left)
            self.assertGreater(len(senders()), 0)
            c.close()
            self.assertEqual((list(left), threads()), ([], []))
            rig.eventually(lambda: not senders())

    def test_cancelling_a_waiting_task_loses_nothing(self):
        go = threading.Event()

        def answer(r, context):
            yield rig.response(job=0)
            go.wait(10)
            for job in range(1, 4):
                yield rig.response(job=job)
            rig.hold(context)

        async def use(address):
            async with facetd.aio.connect(address) as c, c.stream(overflow="queue") as s:
                got = [(await s.next(5)).job]
                for _ in range(3):
                    waiting = asyncio.ensure_future(s.__anext__())
                    await asyncio.sleep(0.01)
                    waiting.cancel()
                    with self.assertRaises(asyncio.CancelledError):
                        await waiting
                go.set()
                async for fs in s:
                    got.append(fs.job)
                    if fs.job == 3:
                        break
                self.assertEqual(got, [0, 1, 2, 3])
                waiting = asyncio.ensure_future(s.__anext__())
                await asyncio.sleep(0.01)
                await c.close()
                with self.assertRaises(StopAsyncIteration):
                    await waiting

        with rig.Fake({"FrameService/FollowFrameSets": rig.granted(answer)}) as fake:
            rig.run(use(fake.address))
