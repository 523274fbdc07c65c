"""The examples, each against the demo."""

import contextlib
import dataclasses
import io
import json
import os
import pathlib
import sys
import tempfile
import threading
import time
import unittest

import numpy as np

import facetd

from . import rig

sys.path.insert(0, os.path.join(os.path.dirname(__file__), "..", "examples"))
import republish  # noqa: E402
import save_frames  # noqa: E402
import stop_in_the_dark  # noqa: E402


class Enough(Exception):
    """Ends a loop that a test has seen enough of."""


class SaveFrames(unittest.TestCase):
    def test_what_is_saved_is_what_was_streamed(self):
        with rig.Daemon() as daemon, tempfile.TemporaryDirectory() as folder, facetd.connect(daemon.address) as client:
            with client.stream(["bed"], overflow="queue", queue_length=1024) as stream, contextlib.redirect_stdout(io.StringIO()) as out:
                self.assertEqual(save_frames.main(["--address", daemon.address, "--task", "bed", "--count", "3", "--out", folder]), 0)
                names = out.getvalue().split()
                self.assertEqual(sorted(names), sorted(str(p) for p in pathlib.Path(folder).iterdir()))
                self.assertEqual(len(names), 3)
                for name in names:
                    with np.load(name) as saved:
                        meta = json.loads(str(saved["meta"]))
                        fs = next(fs for fs in stream if fs.job == meta["job"])
                        self.assertEqual(sorted(saved.files), sorted(["meta", *(f"{f.chip}.bed" for f in fs.frames)]))
                        for f, m in zip(fs.frames, meta["frames"], strict=True):
                            np.testing.assert_array_equal(saved[f"{f.chip}.bed"], f.codes)
                            self.assertEqual((m["chip"], m["light_time_ns"]), (f.chip, f.light_time_ns))

    def test_a_hostile_name_stays_in_the_folder(self):
        with tempfile.TemporaryDirectory() as folder:
            fs = facetd.FrameSet.of(rig.frame_set("../../x", 1))
            self.assertEqual(save_frames.save(fs, pathlib.Path(folder)).parent, pathlib.Path(folder))

    def test_no_daemon_is_an_error(self):
        with contextlib.redirect_stderr(io.StringIO()) as err, tempfile.TemporaryDirectory() as folder:
            self.assertEqual(save_frames.main(["--address", f"unix:{folder}/none", "--out", folder]), 1)
        self.assertIn("no answer from", err.getvalue())


class StopInTheDark(unittest.TestCase):
    LIMITS = stop_in_the_dark.Limits(dark_volts=1.2, bright_volts=1.25, max_age=2.0)

    def test_it_goes_in_the_light_and_stops_in_the_dark_and_in_silence(self):
        # By the demo's pixel model the bed sees about 1.44 V at some lux and far less in
        # a thousandth of a lux.
        told = {}
        for scene in ("uniform:200", "uniform:0.001"):
            with rig.Daemon("--scene", scene) as daemon, facetd.connect(daemon.address) as client:
                told[scene] = []
                stop_in_the_dark.loop(client, "bed", self.LIMITS, lambda go, why: told[scene].append((go, why)), 1.5)
        self.assertTrue(told["uniform:200"][-2][0])
        self.assertEqual(told["uniform:200"][-1], (False, "the loop ended"))
        self.assertEqual([go for go, _ in told["uniform:0.001"]].count(True), 0)
        self.assertIn("dark at bed-", told["uniform:0.001"][-2][1])

    def test_it_stops_when_the_daemon_hangs_or_dies(self):
        limits = stop_in_the_dark.Limits(dark_volts=0, bright_volts=0, max_age=1)
        for hurt, why in ((rig.Daemon.pause, "no frames"), (rig.Daemon.kill, "no connection")):
            told, at, stops = [], [], []
            with rig.Daemon() as daemon, facetd.connect(daemon.address) as client:

                def drive(go, said):
                    told.append((time.monotonic(), go))
                    if at and not go and why in said:
                        stops.append(said)
                        if len(stops) == 2:
                            raise Enough
                    if go and not at:
                        hurt(daemon)
                        at.append(time.monotonic())

                with contextlib.suppress(Enough):  # a busy machine may be long about any of it
                    stop_in_the_dark.loop(client, "bed", limits, drive, 60)
                self.assertTrue(at)
                self.assertEqual(len(stops), 2)
                self.assertNotIn(True, [go for t, go in told if t > at[0] + 2.5])

    def test_doubts(self):
        limits = stop_in_the_dark.Limits(dark_volts=2.0, bright_volts=3.0, max_age=1.0, needed=2)

        def fs(code, **fields):
            data = code.to_bytes(2, "little") * 6
            frames = [rig.frame("c", data=data, first_sample_time=rig.stamp(time.time_ns() - fields.pop("ago", 0)))]  # volts: 1 + code / 2
            return facetd.FrameSet.of(rig.frame_set(frames=frames, **fields))

        def gap(dropped=0, restarted=False, replaced=False):
            return facetd.Gap(dropped, range(dropped), 0, restarted, None, None, None, replaced)

        guard = stop_in_the_dark.Guard(limits)
        steps = [
            (fs(4), False), (fs(4), True),  # two good ones
            (fs(2), True),  # between the limits: hysteresis keeps it going
            (fs(1), False), (fs(2), False), (fs(4), False), (fs(4), True),
            (fs(4, ago=2 * 10**9), False), (fs(4), False), (fs(4), True),
            (fs(4, late=True), False), (fs(4), False), (fs(4), True),
            (fs(4, failure="lane"), False), (fs(4), False), (fs(4), True),
            (facetd.FrameSet.of(rig.frame_set()), False),  # no frames at all
            (fs(4), False), (fs(4), True),
            (dataclasses.replace(fs(4), gap=gap(replaced=True)), False), (fs(4), False), (fs(4), True),
            (dataclasses.replace(fs(4), gap=gap(restarted=True)), False), (fs(4), False),
            (dataclasses.replace(fs(4), gap=gap(dropped=3)), True),
        ]  # fmt: skip
        for i, (seen, want) in enumerate(steps):
            self.assertEqual(guard.see(seen), want, f"step {i}: {guard.why}")


class Republish(unittest.TestCase):
    def test_every_frame_goes_out_as_a_message_of_the_middleware(self):
        class Message:  # as a middleware might have it
            def __init__(self, image):
                self.header = (image.stamp_s, image.stamp_ns, image.frame_id)
                self.height, self.width, self.step, self.data = image.rows, image.columns, image.row_bytes, image.data

        sent = []
        with rig.Daemon() as daemon, facetd.connect(daemon.address) as client:
            with client.stream(["wall"], overflow="queue", queue_length=1024) as stream:
                node = republish.Node(client, Message, lambda topic, m: sent.append((topic, m)), tasks=("wall",), max_age=60)
                over = threading.Timer(1.0, lambda: None)
                over.start()
                node.spin(lambda: not over.is_alive())
                node.close()
                self.assertEqual(node.counts.published, len(sent))
                self.assertGreaterEqual(len(sent), 12)
                by_time = {}
                for fs in stream:
                    for f in fs.frames:
                        by_time[f.light_time_ns, f.chip] = f
                    last = sent[-1][1].header
                    if (last[0] * 10**9 + last[1], last[2]) in by_time:
                        break
                for topic, m in sent:
                    f = by_time[m.header[0] * 10**9 + m.header[1], m.header[2]]
                    self.assertEqual(topic, f"facetd/wall/{f.chip}/wall")
                    np.testing.assert_array_equal(np.frombuffer(m.data, "<u2").reshape(m.height, m.width), f.codes)
                    self.assertEqual((m.height, m.width, m.step), (20, 20, 40))

    def test_stale_frames_are_left_out_and_silence_is_counted(self):
        def answer(r, context):
            old = rig.stamp(time.time_ns() - 5 * 10**9)
            yield rig.response(job=0, frames=[rig.frame(first_sample_time=old)])
            yield rig.response(job=4, left_out=3, frames=[rig.frame(first_sample_time=rig.stamp(time.time_ns()))])
            rig.hold(context)

        sent = []
        with rig.Fake({"FrameService/FollowFrameSets": rig.granted(answer)}) as fake, facetd.connect(fake.address) as client:
            node = republish.Node(client, lambda image: image, lambda topic, m: sent.append(topic), max_age=2, silence=0.3)
            node.spin(lambda: node.counts.silences > 0)
            node.close()
        self.assertEqual(node.counts, republish.Counts(1, 1, 3, 1))
        self.assertEqual(sent, ["facetd/t/c/v"])
