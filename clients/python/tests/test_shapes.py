"""Frames, ages and requests, without any daemon."""

import dataclasses
import hashlib
import inspect
import struct
import time
import unittest
from unittest import mock

import numpy as np

import facetd
from facetd import _channel, _follow, enums
from facetd._schema import schema
from facetd.frames import FrameSet

from . import rig


class Schema(unittest.TestCase):
    def test_enumerations_are_those_of_the_schema(self):
        for name, cls in enums.ALL.items():
            prefix = "".join("_" + c if c.isupper() else c.upper() for c in name).lstrip("_") + "_"
            want = {v.number: v.name.removeprefix(prefix) for v in schema.enum(name).values}
            want[0] = "UNKNOWN"
            self.assertEqual({v.value: v.name for v in cls}, want, name)
        self.assertIs(facetd.State(99), facetd.State.UNKNOWN)

    def test_views_come_back_as_they_were(self):
        movable = facetd.Movable((0, 3), (1, 2), (0, 255), (90, 91), (0, 0), (-128, 127), (2_500_000, 3_000_000_001), True)
        view = facetd.View("v", (2, 4), window=facetd.Window(1, 2, 3, 4, 1, 1), trim=facetd.Trim(5), movable=movable)
        self.assertEqual({f.name for f in dataclasses.fields(movable)}, {f.name for f in dataclasses.fields(facetd.Parameters)} - {"view"})
        automatic = facetd.AutomaticExposure(0.5, 90.0, 2_000_000_001)
        for v in (facetd.View(), view, dataclasses.replace(view, exposure_ns=2_600_000, automatic=automatic)):
            self.assertEqual(facetd.View._of(v._message()), v)
        for p in (facetd.Parameters(), facetd.Parameters("v", 0, None, 3, None, 2, -7, 1_000_000_001, False)):
            self.assertEqual(facetd.Parameters._of(p._message()), p)
        # A field of the schema that the class lacked would be lost when a task is changed.
        exposures = {"exposure": "exposure_ns", "averaging": "averaging_ns"}
        for name, cls in (
            ("View", facetd.View), ("Movable", facetd.Movable), ("ViewParameters", facetd.Parameters),
            ("AutomaticExposure", facetd.AutomaticExposure),
        ):
            fields = {exposures.get(f.name, f.name) for f in schema.message(name).DESCRIPTOR.fields}
            self.assertEqual(fields, {f.name for f in dataclasses.fields(cls)}, name)

    def test_streams_are_those_that_the_schema_says(self):
        from google.protobuf import descriptor_pb2

        streams, methods = {}, 0
        for f in schema.files:
            p = descriptor_pb2.FileDescriptorProto()
            f.CopyToProto(p)
            for s in p.service:
                methods += len(s.method)
                word = {False: "unary", True: "stream"}
                streams |= {f"{s.name}/{m.name}": f"{word[m.client_streaming]}_{word[m.server_streaming]}" for m in s.method}
        self.assertGreater(methods, 20)
        from facetd import _calls

        self.assertLessEqual(_calls.STREAMS.items(), streams.items())
        self.assertNotIn("unary_unary", _calls.STREAMS.values())

    def test_both_clients_have_the_same_methods(self):
        def public(cls):
            return {
                name: [(p.name, p.kind, p.default) for p in inspect.signature(m).parameters.values()]
                for base in reversed(cls.__mro__)
                for name, m in vars(base).items()
                if base.__module__.startswith("facetd") and not name.startswith("_") and callable(m)
            }

        self.assertEqual(public(facetd.Client), public(facetd.aio.Client))
        self.assertEqual(public(facetd.Stream), public(facetd.aio.Stream))
        self.assertEqual(public(facetd.EventStream), public(facetd.aio.EventStream))
        self.assertEqual(public(facetd.MotionStream), public(facetd.aio.MotionStream))
        self.assertEqual(set(public(facetd.MotionStream)), {"next", "close"})
        arguments = lambda f: [(p.name, p.kind, p.default) for p in inspect.signature(f).parameters.values()]  # noqa: E731
        self.assertEqual(arguments(facetd.connect), arguments(facetd.aio.connect))

    def test_task_survives_the_way_there_and_back(self):
        task = facetd.Task(
            "t", ("a", "b"), 12.5, deadline_ns=1_500_000_001, max_hold_ns=0, max_skew_ns=None,
            views=(
                facetd.View("x", (2, 4), 3, (("10101010", ""),), facetd.Window(1, 2, 3, 4, 5, 6), facetd.Trim(None, 7, 1, -3)),
                facetd.View("y"),
            ),
        )  # fmt: skip
        self.assertEqual(facetd.Task._of(task._message()), task)
        for target in ("all", "group", ("one",)):
            t = dataclasses.replace(task, target=target)
            self.assertEqual(facetd.Task._of(t._message()).target, target)


class Frames(unittest.TestCase):
    def test_codes_are_a_read_only_view(self):
        f = facetd.Frame(rig.frame(rows=2, columns=3, data=struct.pack("<6H", 0, 1, 2, 3, 4, 4095)))
        self.assertEqual(f.codes.tolist(), [[0, 1, 2], [3, 4, 4095]])
        self.assertEqual((f.codes.dtype, f.codes.shape, f.shape), (np.dtype("<u2"), (2, 3), (2, 3)))
        self.assertFalse(f.codes.flags.owndata)
        self.assertTrue(np.shares_memory(f.codes, np.frombuffer(f._data, "<u2")))
        with self.assertRaises(ValueError):
            f.codes[0, 0] = 1
        self.assertEqual(f.volts.tolist(), [[1.0, 1.5, 2.0], [2.5, 3.0, 2048.5]])

    def test_what_a_correction_leaves_and_the_light_of_rows(self):
        f = facetd.Frame(rig.frame(fixed_pattern_codes=0.0, row_light_offset_ns=[0, 20_000]))
        self.assertEqual((f.fixed_pattern_codes, f.row_light_offsets_ns.tolist()), (0.0, [0, 20_000]))
        f = facetd.Frame(rig.frame())
        self.assertIsNone(f.fixed_pattern_codes)
        self.assertEqual((f.row_light_offsets_ns.dtype, f.row_light_offsets_ns.shape), (np.dtype(np.int64), (0,)))

    def test_hostile_frames(self):
        for why, m in {
            "11 bytes of data, but 2 rows of 3 columns are 12": rig.frame(data=bytes(11)),
            "0 bytes of data": rig.frame(rows=4096, columns=4096, data=b""),
            "14 bytes of data": rig.frame(data=bytes(14)),
            "are 36893488130239234050 bytes": rig.frame(rows=2**32 - 1, columns=2**32 - 1, data=bytes(8)),
            "pixel format 'RGB8'": rig.frame(pixel_format="RGB8"),
            "17 significant bits": rig.frame(significant_bits=17),
            "0 significant bits": rig.frame(significant_bits=0),
        }.items():
            with self.assertRaisesRegex(facetd.BadFrameError, why):
                facetd.Frame(m)
        with self.assertRaisesRegex(facetd.BadFrameError, "two frames"):
            FrameSet.of(rig.frame_set(frames=[rig.frame(), rig.frame()]))
        empty = facetd.Frame(rig.frame(rows=0, columns=7, data=b""))
        self.assertEqual(empty.codes.shape, (0, 7))

    def test_frames_by_chip_and_view(self):
        fs = FrameSet.of(rig.frame_set(frames=[rig.frame("a"), rig.frame("b", view="x"), rig.frame("b", view="y")]))
        self.assertEqual([(f.chip, f.view) for f in fs.frames], [("a", "v"), ("b", "x"), ("b", "y")])
        self.assertEqual((fs.frames["a"].chip, fs.frames["a", "v"].view, fs.frames["b", "y"].view), ("a", "v", "y"))
        self.assertEqual((fs.frames.chips, len(fs.frames), "b" in fs.frames, "z" in fs.frames), (("a", "b"), 3, True, False))
        self.assertEqual([(fs.frames[i].chip, fs.frames[i].view) for i in (0, 1, -1, np.int64(2))], [("a", "v"), ("b", "x"), ("b", "y"), ("b", "y")])
        with self.assertRaises(IndexError):
            fs.frames[3]
        for key, why in (("b", "several views"), ("z", "no frame of chip"), (("b", "z"), "no view")):
            with self.assertRaisesRegex(KeyError, why):
                fs.frames[key]

    def test_digest_is_over_the_bytes_described(self):
        frames = [rig.frame("m0", 1, 2, bytes([1, 2, 3, 4]), light_bus_ns=12, first_sample_bus_ns=13, last_converted_bus_ns=18)]
        m = rig.frame_set("look", 3, frames, release_bus_ns=-10, deadline_bus_ns=20, start_bus_ns=11, finish_bus_ns=19)
        word = lambda *v: b"".join(struct.pack("<q", n) for n in v)  # noqa: E731
        want = word(4) + b"look" + word(3, -10, 20, 11, 19, 1) + word(2) + b"m0" + word(1) + b"v" + word(12, 13, 18, 4) + bytes([1, 2, 3, 4])
        d = facetd.Digest()
        d.add(FrameSet.of(m))
        self.assertEqual((d.hexdigest(), d.sets), (hashlib.sha256(want).hexdigest(), 1))


class Age(unittest.TestCase):
    NOW = 1_800_000_000 * 10**9

    def of(self, *light_ns_ago, waited_ns=0, uncertainty_ns=0, failure="", **kw):
        """Returns age() of a set, or the error, and is_stale(0.1)."""
        frames = [
            rig.frame(f"c{i}", first_sample_time=rig.stamp(self.NOW - ago + 500), first_sample_bus_ns=1500, light_bus_ns=1000,
                      time_uncertainty_ns=uncertainty_ns, **kw)
            for i, ago in enumerate(light_ns_ago)
        ]  # fmt: skip
        fs = FrameSet.of(rig.frame_set(frames=frames, failure=failure), self.NOW, 10**12)
        with mock.patch.object(time, "time_ns", return_value=self.NOW), mock.patch.object(time, "monotonic_ns", return_value=10**12 + waited_ns):
            try:
                return round(fs.age(), 9), fs.is_stale(0.1)
            except facetd.ClockError:
                return "clock", fs.is_stale(0.1)

    def test_a_set_ages_while_the_host_sleeps(self):
        with mock.patch.object(facetd.frames, "_slept_ns", return_value=5 * 10**9):
            fs = FrameSet.of(rig.frame_set(frames=[rig.frame(first_sample_time=rig.stamp(time.time_ns()), first_sample_monotonic_ns=time.monotonic_ns())]), host_boot_id=facetd.frames.BOOT)
            young = fs.age()
        with mock.patch.object(facetd.frames, "_slept_ns", return_value=8 * 10**9):
            slept = fs.age()
            self.assertTrue(fs.is_stale(2.0))
        self.assertLess(young, 2.0)
        self.assertGreaterEqual(slept, 3.0)

    def test_on_one_host_utc_does_not_matter(self):
        def age(shared, monotonic, utc_off_ns=0):
            frames = [rig.frame(first_sample_time=rig.stamp(self.NOW + utc_off_ns), first_sample_bus_ns=1500, light_bus_ns=500,
                                first_sample_monotonic_ns=monotonic, time_uncertainty_ns=2000)]  # fmt: skip
            fs = FrameSet.of(rig.frame_set(frames=frames), self.NOW, 10**12 - 10_000, host_boot_id=facetd.frames.BOOT if shared else "")
            with mock.patch.object(time, "time_ns", return_value=self.NOW), mock.patch.object(time, "monotonic_ns", return_value=10**12):
                return round(fs.age() * 1e9)

        self.assertEqual(age(True, 10**12 - 4000), 10_000)  # it waited longer than that
        for off in (0, -(10**18), 10**18):
            self.assertEqual(age(True, 10**12 - 50_000, off), 53_000)
        self.assertEqual(age(False, 10**12 - 50_000, -70_000), 73_000)
        self.assertEqual(age(True, 0, -70_000), 73_000)  # an older recording
        with self.assertRaises(facetd.ClockError):
            age(False, 10**12 - 50_000, 10**18)
        with self.assertRaises(facetd.ClockError):
            age(True, 10**12 + 3600 * 10**9)
        f = facetd.Frame(rig.frame(first_sample_monotonic_ns=9000, first_sample_bus_ns=1500, light_bus_ns=500, utc_epoch=3))
        self.assertEqual((f.light_monotonic_ns, f.utc_epoch), (8000, 3))

    def test_age_is_of_the_oldest_light_and_never_flatters(self):
        self.assertEqual(self.of(20_000_000, 50_000_000), (0.05, False))
        self.assertEqual(self.of(99_000_000, uncertainty_ns=2_000_000), (0.101, True))
        # The wall clock was set back after the set came: the time it has waited counts.
        self.assertEqual(self.of(0, waited_ns=150_000_000), (0.15, True))
        self.assertEqual(self.of(100_000_000), (0.1, False))
        self.assertEqual(self.of(100_000_001), (0.100000001, True))

    def test_an_age_that_cannot_be_told_is_stale(self):
        self.assertEqual(self.of(), (float("inf"), True))  # no frames
        self.assertEqual(self.of(-50_000_000), ("clock", True))
        self.assertEqual(self.of(-50_000_000, uncertainty_ns=40_000_000), (0.0, False))
        m = rig.frame_set(frames=[rig.frame()])  # a frame that was never read
        self.assertTrue(FrameSet.of(m).is_stale(1e9))
        self.assertFalse(FrameSet.of(rig.frame_set(frames=[rig.frame(first_sample_time=rig.stamp(time.time_ns()))])).is_stale(60))
        self.assertTrue(FrameSet.of(rig.frame_set(frames=[rig.frame(first_sample_time=rig.stamp(time.time_ns()))])).is_stale(float("nan")))

    def test_a_failed_job_is_stale_however_young(self):
        self.assertEqual(self.of(1_000_000, failure="lane broke"), (0.001, True))
        fs = FrameSet.of(rig.frame_set(job=4, failure="lane broke"))
        with self.assertRaisesRegex(facetd.StaleError, "job 4 of task 't' failed: lane broke"):
            fs.check_fresh(1)

    def test_times(self):
        ns = 1_700_000_000_123_456_789
        f = facetd.Frame(rig.frame(first_sample_time=rig.stamp(ns), first_sample_bus_ns=1500, light_bus_ns=1000))
        self.assertEqual((f.first_sample_time_ns, f.light_time_ns), (ns, ns - 500))
        self.assertEqual(f.first_sample_time.isoformat(), "2023-11-14T22:13:20.123456+00:00")


class Backing(unittest.TestCase):
    def test_backoff_grows_to_its_bound_with_jitter(self):
        b = facetd.Backoff(0.1, 5.0)
        self.assertEqual([round(b.delay(n, 1.0), 3) for n in (1, 2, 3, 6, 7, 1000)], [0.1, 0.2, 0.4, 3.2, 5.0, 5.0])
        self.assertEqual(facetd.Backoff().delay(1000, 1.0), 0.5)
        self.assertEqual(b.delay(3, 0.0), 0.2)
        self.assertFalse(b.over(10**6))
        self.assertEqual([facetd.Backoff(give_up_after=2).over(n) for n in (1, 2, 3)], [False, False, True])
        self.assertTrue(facetd.NO_RECONNECT.over(1))
        for bad in (dict(initial=0), dict(initial=2, maximum=1), dict(factor=0.5), dict(give_up_after=-1)):
            with self.assertRaises(ValueError):
                facetd.Backoff(**bad)

    def test_addresses_and_tokens(self):
        for ok in ("127.0.0.1:1", "[::1]:7660", "localhost:7660", "unix:/run/x.sock", "unix:x.sock"):
            _channel.Endpoint(ok, "secret", None)
        _channel.Endpoint("robot.example:7660", None, None)
        _channel.Endpoint("robot.example:7660", "secret", facetd.TLS())
        with self.assertRaisesRegex(ValueError, "must not cross a network in the open"):
            _channel.Endpoint("robot.example:7660", "secret", None)
        for bad in ("", "7660", "host", "host:", "host:0", "host:x", ":7660", "host:65536"):
            with self.assertRaises(ValueError, msg=bad):
                _channel.Endpoint(bad, None, None)
        with self.assertRaises(ValueError):
            facetd.TLS(cert="only")

    def test_stream_options(self):
        for bad in (
            dict(overflow="drop"), dict(tasks="bed"), dict(chips="c"), dict(queue_length=0), dict(queue_length=1025),
            dict(heartbeat=0.04), dict(heartbeat=float("nan")),
        ):  # fmt: skip
            with self.assertRaises(ValueError):
                _follow.StreamOptions(**bad)
        position = rig.new("TaskPosition", task="a", generation=2, job=3)
        r = _follow.StreamOptions(("a",), ("c",), _follow.codes(True, False), 2.5, "queue", 7, 1.5).start("one", [position], 5).start
        self.assertEqual((list(r.selection.tasks), list(r.selection.chips), r.selection.codes), (["a"], ["c"], 2))
        self.assertEqual((r.max_rate_hz, r.overflow, r.queue_length, r.frame_sets), (2.5, 2, 7, 5))
        self.assertEqual((r.heartbeat_interval.seconds, r.heartbeat_interval.nanos), (1, 500_000_000))
        self.assertEqual((r.instance_id, list(r.after)), ("one", [position]))
        r = _follow.StreamOptions().start("", [], 1).start
        self.assertEqual((r.overflow, r.queue_length, r.heartbeat_interval.seconds), (1, 0, 1))
