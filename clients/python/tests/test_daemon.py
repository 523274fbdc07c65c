"""Both clients against the real daemon and its demo."""

import asyncio
import dataclasses
import json
import os
import pathlib
import subprocess
import tempfile
import time
import unittest
import uuid

import facetd

from . import rig

# Rows and columns of each task's frames: the array's lattices (40 x 40, 24 x 48,
# 32 x 32, 36 x 32) with the binning of the demo's tasks.
SHAPES = {"wall": (20, 20), "bed": (24, 48), "bow": (16, 16), "comb": (36, 32)}
CHIPS = {"wall": 12, "bed": 4, "bow": 2, "comb": 1}


class Demo(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.folder = tempfile.TemporaryDirectory()
        socket = os.path.join(cls.folder.name, "s")
        cls.daemon = rig.Daemon("--data", os.path.join(cls.folder.name, "data"), "--socket", socket, "--seed", "5")
        cls.socket = "unix:" + socket

    @classmethod
    def tearDownClass(cls):
        cls.daemon.kill()
        cls.folder.cleanup()

    def setUp(self):
        self.client = facetd.connect(self.daemon.address)
        self.addCleanup(self.client.close)

    def test_array(self):
        a = self.client.array()
        self.assertEqual((a.name, len(a.chips), len(a.select_lines), a.lanes), ("culvert-crawler", 19, 10, ("a", "b")))
        self.assertRegex(a.digest, "^[0-9a-f]{64}$")
        comb = a.chips["bow-comb"]
        self.assertEqual((comb.parts, comb.pixel, comb.lattice.arrangement), (set(), "logarithmic", facetd.Arrangement.HEXAGONAL))
        # Rows of a hexagonal lattice lie sqrt(3)/2 of the column pitch apart.
        self.assertAlmostEqual(comb.lattice.pitch_y_um / comb.lattice.pitch_x_um, 0.8660254037844386)
        self.assertEqual({p for c in a.chips.values() for p in c.parts}, {"memory", "counter", "pixel_switches"})
        lens = a.chips["wall-00"].lens
        self.assertEqual(
            (lens.horizontal_fov_deg, lens.projection, lens.f_number, lens.falloff), (34, facetd.Projection.RECTILINEAR, 0, ())
        )
        # The ring of twelve looks outward, evenly spread about the axis of travel.
        self.assertEqual(len({(c.mount.yaw_deg, c.mount.pitch_deg, c.mount.roll_deg) for n, c in a.chips.items() if n.startswith("wall")}), 12)
        self.assertEqual({len(c.selects) for c in a.chips.values()}, {3})

    def test_motion_is_told_or_why_not(self):
        with self.client.motion(["bed"], chips=["bed-0", "bed-1"]) as stream:
            got = [stream.next(60), next(stream)]
        self.assertLess(got[0].job, got[1].job)
        for e in got:
            self.assertEqual(([c.chip for c in e.chips], e.task, e.body), (["bed-0", "bed-1"], "bed", None))
            for c in e.chips:
                self.assertEqual((c.reason, c.shift_px, c.rate_information), (facetd.MotionReason.NOT_CORRECTED, None, None))
                self.assertGreater(c.mean_codes, 0)
        self.assertIsNone(facetd.shared_rate(got[0].chips))
        with self.assertRaises(facetd.NotFoundError):
            self.client.motion(["nobody"])

        async def same():
            async with facetd.aio.connect(self.daemon.address) as client, client.motion(["bed"]) as stream:
                async for e in stream:
                    return e

        self.assertEqual([c.chip for c in rig.run(same()).chips], ["bed-0", "bed-1", "bed-2", "bed-3"])

    def test_status_and_plan(self):
        s = self.client.status()
        self.assertEqual((s.state, s.pace, s.seed, s.bus, list(s.tasks)), (facetd.State.RUNNING, facetd.Pace.REALTIME, 5, "virtual", list(SHAPES)))
        self.assertLess(abs(s.start_time_ns - time.time_ns()), 600e9)
        self.assertEqual(self.client.tasks()["bow"].task.rate_hz, 50)
        p = self.client.plan()
        self.assertTrue(p.fits)
        self.assertAlmostEqual(p.utilization, sum(p.phases.values()))
        self.assertEqual(p.predictions["wall"].frames, 12)

    def test_frames_over_a_unix_socket_have_the_shapes_of_the_array(self):
        with facetd.connect(self.socket) as c, c.stream() as stream:
            seen = {}
            for fs in stream:
                seen[fs.task] = fs
                if len(seen) == len(SHAPES):
                    break
            for task, fs in seen.items():
                self.assertEqual({f.codes.shape for f in fs.frames}, {SHAPES[task]})
                self.assertEqual(len(fs.frames), CHIPS[task])
                self.assertFalse(fs.late or fs.failure)
                self.assertLess(fs.age(), 60)
                for f in fs.frames:
                    self.assertGreater(f.codes.std(), 0)
                    self.assertLess(f.codes.max(), 1 << f.significant_bits)
                    self.assertTrue(0.5 < f.volts.min() <= f.volts.max() < 2.3)
                    self.assertEqual(len(f.row_offsets_ns), f.shape[0])
                    self.assertTrue(fs.release_bus_ns <= f.light_bus_ns <= f.first_sample_bus_ns < f.last_converted_bus_ns <= fs.finish_bus_ns)
                self.assertEqual(fs.skew_ns, max(f.light_bus_ns for f in fs.frames) - min(f.light_bus_ns for f in fs.frames))
            self.assertGreater(seen["wall"].frames["wall-00"].hold_ns, 0)
            self.assertEqual(seen["bed"].frames["bed-0"].hold_ns, 0)

    def test_only_some_chips(self):
        with self.client.stream(["wall"], chips=["wall-03"]) as s:
            self.assertEqual(next(s).frames.chips, ("wall-03",))
        with self.assertRaises(facetd.InvalidError) as got:
            self.client.stream(["wall"], chips=["wall-03", "nix"])
        self.assertEqual([m.place for m in got.exception.fields], ["start.selection.chips[1]"])
        with self.assertRaises(facetd.NotFoundError):
            self.client.stream(["nix"])

    def test_a_decimated_stream_does_not_call_decimation_a_loss(self):
        with self.client.stream(["bow"], max_rate_hz=10, overflow="queue") as s:
            sets = [next(s) for _ in range(6)]
        # The task has 50 jobs a second of bus time: every fifth comes.
        self.assertEqual({b.job - a.job for a, b in zip(sets, sets[1:])}, {5})
        self.assertEqual([fs.gap for fs in sets], [None] * 6)
        with self.assertRaises(facetd.InvalidError) as got:
            self.client.stream(["bow"], max_rate_hz=-1)
        self.assertEqual([m.place for m in got.exception.fields], ["start.max_rate_hz"])

    def test_tasks_come_change_and_go(self):
        task = facetd.Task("crown", ("wall-00", "wall-01"), 4, views=(facetd.View("a"), facetd.View("b", binning=(4, 4))))
        added = self.client.add_task(task)
        self.addCleanup(lambda: "crown" in self.client.tasks() and self.client.remove_task("crown"))
        self.assertEqual((added.task, added.status.requested_rate_hz), (task, 4))
        with self.client.stream(["crown"], overflow="queue") as s:
            fs = next(s)
            self.assertEqual((fs.frames["wall-00", "a"].shape, fs.frames["wall-00", "b"].shape), ((40, 40), (10, 10)))
            changed = self.client.change_task(facetd.Task("crown", ("wall-02",), 5))
            self.assertGreater(changed.effective_bus_ns, added.effective_bus_ns)
            while fs.frames.chips != ("wall-02",):
                before, fs = fs, next(s)
                self.assertGreater(fs.job, before.job)
            self.assertEqual((fs.gap.replaced, fs.gap.restarted, fs.gap.previous_job), (True, False, before.job))
            self.assertEqual((fs.gap.missing_jobs, fs.gap.dropped, fs.gap.reconnects), (range(fs.job, fs.job), 0, 0))
            self.assertIsNone(next(s).gap)
            # Removed and made anew it counts from 0, and the stream says so.
            self.client.remove_task("crown")
            self.client.add_task(facetd.Task("crown", ("wall-02",), 5))
            while fs.job > 0:
                fs = next(s)
            self.assertEqual((fs.gap.replaced, fs.gap.restarted, fs.gap.missing_jobs), (True, False, range(0)))
            self.assertGreater(fs.gap.bus_gap_ns, 0)
        with self.assertRaises(facetd.ExistsError):
            self.client.add_task(facetd.Task("crown", ("wall-02",), 1))
        self.assertGreater(self.client.remove_task("crown"), changed.effective_bus_ns)
        for call in (self.client.remove_task, self.client.task):
            with self.assertRaises(facetd.NotFoundError):
                call("crown")
        with self.assertRaises(facetd.NotFoundError):
            self.client.change_task(task)

    def test_a_refusal_has_its_witness_and_suggestions(self):
        running = list(self.client.tasks())
        task = facetd.Task("more", "wall", 100)
        with self.assertRaises(facetd.RefusedError) as got:
            self.client.add_task(task)
        r = got.exception.refusal
        self.assertEqual((r.reason, r.task), (facetd.RefusalReason.JOB_TOO_LONG, "more"))
        self.assertEqual((r.available_ns, got.exception.conditions[0].kind), (10_000_000, "REFUSAL_REASON_JOB_TOO_LONG"))
        self.assertGreater(r.needed_ns, r.available_ns)
        self.assertEqual(str(got.exception), r.message)
        self.assertEqual(list(self.client.tasks()), running)
        # A suggestion that is followed fits, and so do a rate that fits and the stretched rates, as promised.
        binned = [s for s in r.suggestions if s.binning]
        self.assertTrue(binned)
        better = facetd.Task("more", "wall", 100, views=(facetd.View(binning=binned[0].binning),))
        self.assertTrue(self.client.preview_plan([better]).fits)
        rate = r.fitting_rates["more"]
        self.assertEqual((rate.searched_up_to_hz, rate.witness), (100, ""))
        self.assertTrue(self.client.preview_plan([facetd.Task("more", "wall", rate.rate_hz)]).fits)
        slower = {t.task: t.rate_hz for t in r.stretched}
        changed = [dataclasses.replace(t.task, rate_hz=slower[t.task.name]) for t in self.client.tasks().values()]
        self.assertTrue(self.client.preview_plan([dataclasses.replace(task, rate_hz=slower["more"])], update=changed).fits)
        preview = self.client.preview_plan([task])
        self.assertFalse(preview.fits)
        self.assertEqual(preview.refusal.reason, r.reason)

    def test_changes_are_made_together_and_once(self):
        more = facetd.Task("more", "bed", 2)
        self.addCleanup(lambda: "more" in self.client.tasks() and self.client.remove_task("more"))
        first = self.client.apply_tasks([more], request_id="python, once")
        again = self.client.apply_tasks([more], request_id="python, once")
        self.assertEqual((again.revision, again.effective_bus_ns), (first.revision, first.effective_bus_ns))
        self.assertEqual((first.tasks[0].task, first.shifts_ns), (more, {}))
        with self.assertRaises(facetd.ExistsError):
            self.client.apply_tasks(remove=["more"], request_id="python, once")
        old = self.client.task("more").etag
        faster = facetd.Update(dataclasses.replace(more, rate_hz=4, target=facetd.Task("x", "wall", 1).target), ("rate_hz",), old)
        self.assertEqual(self.client.apply_tasks(update=[faster]).tasks[0].task, dataclasses.replace(more, rate_hz=4))
        with self.assertRaises(facetd.ConflictError):
            self.client.apply_tasks(update=[faster])
        with self.assertRaises(facetd.ConflictError):
            self.client.apply_tasks(remove=["more"], expected_revision=first.revision)
        self.assertIn("more", self.client.tasks())

    def test_parameters_are_set_from_job_to_job(self):
        spot = facetd.View("spot", window=facetd.Window(0, 0, 4, 4), movable=facetd.Movable(row=(0, 20), column=(0, 9)))
        task = facetd.Task("track", ("bed-0",), 4, views=(spot,))
        self.addCleanup(lambda: "track" in self.client.tasks() and self.client.remove_task("track"))
        self.assertEqual(self.client.add_task(task).task, task)
        self.assertEqual(self.client.task("track").parameters, {"spot": facetd.Parameters("spot", 0, 0)})
        with self.client.stream(["track"], overflow="queue") as s:
            now = self.client.set_parameters("track", facetd.Parameters(row=7))
            self.assertEqual(now.views, {"spot": facetd.Parameters("spot", 7, 0)})
            for fs in s:
                self.assertEqual(fs.frames["bed-0"].window.row, 7 if fs.job >= now.first_job else 0)
                if fs.job > now.first_job:
                    break
        self.assertEqual(self.client.task("track").parameters, now.views)
        with self.assertRaises(facetd.InvalidError) as got:
            self.client.set_parameters("track", facetd.Parameters(row=21, exposure_ns=5000))
        self.assertEqual([f.place for f in got.exception.fields], ["views[0].exposure", "views[0].row"])
        with self.assertRaises(facetd.NotFoundError):
            self.client.set_parameters("nix", facetd.Parameters(row=1))
        # What the chips cannot do is said of an exposure, too.
        dim = facetd.View(exposure_ns=2_000_000, movable=facetd.Movable(exposure_ns=(1_000_000, 3_000_000)))
        with self.assertRaises(facetd.InvalidError) as got:
            self.client.add_task(facetd.Task("dim", ("wall-00",), 1, views=(dim,)))
        self.assertIn("logarithmic", str(got.exception))

    def test_a_sporadic_task_is_triggered(self):
        task = facetd.Task("flash", ("bow-comb",), deadline_ns=250_000_000, least_interval_ns=400_000_000)
        self.addCleanup(lambda: "flash" in self.client.tasks() and self.client.remove_task("flash"))
        added = self.client.add_task(task)
        self.assertEqual(added.task, task)
        self.assertTrue(0 < added.status.promised_response_ns <= 250_000_000)
        self.assertEqual(self.client.plan().predictions["flash"].worst_response_ns, added.status.promised_response_ns)
        with self.client.stream(["flash"], overflow="queue") as s:
            once = str(uuid.uuid4())
            told = self.client.trigger("flash", request_id=once)
            self.assertEqual(self.client.trigger("flash", request_id=once), told)
            with self.assertRaises(facetd.PreconditionError) as soon:
                self.client.trigger("flash")
            self.assertEqual(soon.exception.conditions[0].kind, "TOO_SOON")
            fs = next(iter(s))
        self.assertEqual((fs.job, fs.release_bus_ns), (told.job, told.release_bus_ns))
        self.assertLessEqual(fs.finish_bus_ns - fs.release_bus_ns, added.status.promised_response_ns)
        status = self.client.task("flash").status
        self.assertEqual((status.triggers, status.triggers_refused), (1, 1))
        with self.assertRaises(facetd.PreconditionError):
            self.client.trigger("wall")

    def test_how_long_a_capture_may_wait(self):
        told = self.client.preview_capture("bed")
        self.assertTrue(told.exact and told.job_ns > 0)
        self.assertEqual(told.worst_end_ns, told.worst_start_ns + told.job_ns)
        self.assertTrue(told.worst_start_ns < told.worst_first_sample_ns < told.worst_end_ns)
        mixed = self.client.capture(("bed-0", "bow-comb"), timeout=20)
        self.assertEqual(len(mixed.frame_set.frames), 2)

    def test_all_errors_come_at_once_with_their_places(self):
        with self.assertRaises(facetd.InvalidError) as got:
            self.client.add_task(facetd.Task("", "wxll", -1, views=(facetd.View(binning=(3, 1)),)))
        places = [m.place for m in got.exception.fields]
        for place in ("task.name", "task.target.group", "task.rate_hz"):
            self.assertIn(place, places)
        self.assertIn('did you mean "wall"?', str(got.exception))

    def test_capture_and_commands(self):
        got = self.client.capture("bed", timeout=20)
        self.assertEqual((got.frame_set.task, len(got.frame_set.frames)), ("", 4))
        self.assertEqual(got.frame_set.frames["bed-0"].codes.shape, (24, 48))
        self.assertGreaterEqual(got.waited_ns, 0)
        with self.assertRaises(facetd.PreconditionError) as refused:
            self.client.write_register("wall", facetd.Register.OUTPUT_ENABLE, 1, timeout=20)
        self.assertEqual(refused.exception.conditions[0].kind, "DISTURBS")
        sent = self.client.strobe(["bed-0"], facetd.Strobe.RESET, timeout=20)
        self.assertEqual([reaches for _, reaches in sent.words], [("bed-0",)])

    def test_a_safe_stop_ends_streams_with_who_and_why(self):
        with self.client.stream(["wall"]) as s:
            next(s)
            stop = self.client.stop("a cable is loose")
            self.assertEqual((stop.lines, stop.requests, stop.stored), (facetd.LineState.CONFIRMED, 1, True))
            self.assertEqual((stop.reasons[0].by, stop.reasons[0].reason), ("this machine", "a cable is loose"))
            with self.assertRaises(facetd.StoppedError) as ended:
                for _ in s:
                    pass
        self.assertIn("stopped by this machine (\"a cable is loose\") since", str(ended.exception))
        with self.assertRaises(facetd.StoppedError):
            self.client.capture("bed", timeout=20)
        status = self.client.status()
        self.assertEqual((status.state, status.safe_stop), (facetd.State.SAFE_STOP, stop))
        with self.assertRaises(facetd.PreconditionError):
            self.client.resume(stop.revision - 1)
        self.assertGreaterEqual(self.client.resume(stop.revision), stop.reasons[0].bus_ns)
        self.assertIsNone(self.client.status().safe_stop)
        with self.client.stream(["wall"]) as s:
            next(s)
        with self.assertRaises(facetd.InvalidError):
            self.client.stop("two\nlines")

    def test_recording_and_events(self):
        with self.client.watch_events(kinds=[facetd.EventKind.RECORDING_STARTED, facetd.EventKind.RECORDING_STOPPED]) as events:
            r = self.client.start_recording("from-python", tasks=["comb"])
            self.assertEqual((r.name, r.state), ("from-python", facetd.RecordingState.RUNNING))
            with self.assertRaises(facetd.ExistsError):
                self.client.start_recording("from-python")
            with self.client.stream(["comb"]) as s:
                for _ in range(3):
                    next(s)
            stopped = self.client.stop_recording("from-python")
            self.assertEqual((stopped.state, stopped.lost), (facetd.RecordingState.CLOSED, 0))
            self.assertGreaterEqual(stopped.frame_sets, 2)
            self.assertEqual(self.client.recording("from-python").files, stopped.files)
            kinds = [next(events).kind for _ in range(2)]
        self.assertEqual(kinds, [facetd.EventKind.RECORDING_STARTED, facetd.EventKind.RECORDING_STOPPED])
        listed = self.client.events(kinds=[facetd.EventKind.RECORDING_STOPPED], limit=1)
        self.assertEqual(len(listed), 1)
        self.assertLess(abs(listed[0].time_ns - time.time_ns()), 600e9)
        self.assertIn("from-python", listed[0].text)
        self.assertIn("from-python", [r.name for r in self.client.recordings()])
        with tempfile.TemporaryDirectory() as folder:
            to = pathlib.Path(folder, "here.mcap")
            self.assertEqual(self.client.download_recording(stopped.files[0], to), to.stat().st_size)
            self.assertEqual(to.stat().st_size, stopped.bytes)
            self.assertEqual((to.read_bytes()[:8], to.read_bytes()[-8:]), (b"\x89MCAP0\r\n",) * 2)
            with self.assertRaises(facetd.NotFoundError):
                self.client.download_recording("nix.mcap", pathlib.Path(folder, "nix"))

            async def again():
                async with facetd.aio.connect(self.daemon.address) as client:
                    await client.download_recording(stopped.files[0], pathlib.Path(folder, "there.mcap"))
                    self.assertEqual([r.name for r in await client.recordings()], [r.name for r in self.client.recordings()])
                    return await client.delete_recording("from-python")

            self.assertEqual(asyncio.run(again()).files, stopped.files)
            self.assertEqual(pathlib.Path(folder, "there.mcap").read_bytes(), to.read_bytes())
            self.assertEqual(sorted(os.listdir(folder)), ["here.mcap", "there.mcap"])
        self.assertNotIn("from-python", [r.name for r in self.client.recordings()])
        with self.assertRaises(facetd.NotFoundError):
            self.client.delete_recording("from-python")
        with self.assertRaises(facetd.InvalidError):
            self.client.start_recording("../x")
        with self.assertRaises(facetd.NotFoundError):
            self.client.stop_recording("nix")

    def test_asyncio_has_the_same_shapes(self):
        async def use():
            async with facetd.aio.connect(self.daemon.address) as c:
                array, status = await c.array(), await c.status()
                with self.assertRaises(facetd.RefusedError):
                    await c.add_task(facetd.Task("more", "wall", 100))
                async with c.stream(["wall"]) as s:
                    fs = await s.next(10)
                captured = await c.capture("bed", timeout=20)
                async with c.watch_events(after=0) as events:
                    async for e in events:
                        break
                return array, status, fs, captured, e

        array, status, fs, captured, event = rig.run(use())
        self.assertEqual(array, self.client.array())
        self.assertEqual(status.start_time_ns, self.client.status().start_time_ns)
        self.assertEqual((fs.task, {f.codes.shape for f in fs.frames}), ("wall", {(20, 20)}))
        self.assertEqual(len(captured.frame_set.frames), 4)
        self.assertEqual(event, self.client.events(after=0, limit=1)[0])
        self.assertEqual(self.client.events(after=event, limit=1)[0].sequence, event.sequence + 1)
        with self.assertRaises(facetd.InvalidError) as got:
            self.client.events(after=dataclasses.replace(event, journal="another"))
        self.assertIn("another journal", str(got.exception))
        with self.assertRaises(ValueError):
            self.client.events(after=3)


class Roles(unittest.TestCase):
    def test_a_daemon_that_asks_for_tokens(self):
        with tempfile.TemporaryDirectory() as folder:
            file, config = os.path.join(folder, "tokens"), os.path.join(folder, "facetd.yaml")

            def token(role):
                made = [os.environ["FACETD_BINARY"], "token", "new", "--name", role, "--role", role, "--file", file, "-o", "json"]
                return json.loads(subprocess.run(made, check=True, capture_output=True).stdout)["token"]

            viewer, operator = token("viewer"), token("operator")
            with open(config, "w") as out:
                out.write(f"access: {{loopback: checked, tokens: {json.dumps(file)}}}\n")
            task = facetd.Task("crown", ("wall-00",), 2)

            async def awaited(address):
                with self.assertRaises(facetd.AccessError):
                    async with facetd.aio.connect(address):
                        pass
                async with facetd.aio.connect(address, token=viewer) as c:
                    async with c.stream(["bed"]) as s:
                        await s.next(20)
                    with self.assertRaises(facetd.AccessError):
                        await c.remove_task("bed")

            with rig.Daemon("--config", config) as daemon:
                for wrong in (None, "wrong", operator[:-1]):
                    with self.assertRaises(facetd.AccessError) as got:
                        facetd.connect(daemon.address, token=wrong)
                    self.assertEqual(got.exception.code, "UNAUTHENTICATED")
                with facetd.connect(daemon.address, token=viewer) as c:
                    with c.stream(["bed"]) as s:
                        self.assertEqual(s.next(20).task, "bed")
                    with self.assertRaises(facetd.AccessError) as got:
                        c.add_task(task)
                    self.assertEqual(got.exception.code, "PERMISSION_DENIED")
                with facetd.connect(daemon.address, token=lambda: operator) as c:
                    self.assertEqual(c.add_task(task).task, task)
                rig.run(awaited(daemon.address))


class SlowReaders(unittest.TestCase):
    def test_every_job_is_received_or_counted_as_dropped(self):
        with rig.Daemon("--pace", "free") as daemon:
            for options in (dict(overflow="latest"), dict(overflow="queue", queue_length=2)):
                with facetd.connect(daemon.address) as c, c.stream(["wall"], **options) as s:
                    lost, before = 0, next(s)
                    # Nobody reads: the daemon drops, by its own count, and tells when it is asked again.
                    rig.eventually(lambda: c.status().dropped_frame_sets > 20, 180)
                    while lost < 20:
                        fs = next(s)
                        dropped = fs.gap.dropped if fs.gap else 0
                        # With one task the daemon's count and the job numbers tell the same.
                        self.assertEqual(fs.job - before.job - 1, dropped, options)
                        if dropped:
                            self.assertEqual(fs.gap.missing_jobs, range(before.job + 1, fs.job))
                            self.assertEqual((fs.gap.reconnects, fs.gap.restarted), (0, False))
                        lost, before = lost + dropped, fs
                    self.assertGreaterEqual(s.dropped, lost)

    PERIOD = 0.02  # of the task bow, 50 jobs a second

    READS = ((0.01, 30), (0.1, 8), (0.5, 4))  # seconds between reads, and their number
    TRIES = 10

    def judge(self, interval, seen, tries):
        """seen: of each read the jobs that had ended before it, the job read, its age. Says whether the
        ages are those of new ones."""
        for ended, job, _ in seen:
            self.assertGreaterEqual(job, ended - 1, f"every {interval} s: older than the newest")
        ages = sorted(age for _, _, age in seen)
        # Each is new; how soon it is handed over is the machine's, which others use too: one in
        # four, in one of several tries, is enough to show that nothing waits until somebody reads.
        limit = max(self.PERIOD + 0.02, interval / 2)
        new = ages[len(ages) // 4] < limit
        self.assertTrue(new or tries < self.TRIES, f"every {interval} s: ages {ages}, not less than {limit}")
        return new

    def test_what_a_slow_reader_reads_is_new(self):
        async def awaited(address):
            async with facetd.aio.connect(address) as c, c.stream(["bow"]) as s:
                for interval, reads in self.READS:
                    seen, tries = [], 0
                    while not seen or not self.judge(interval, seen, tries):
                        seen, tries = [], tries + 1
                        for _ in range(reads):
                            await asyncio.sleep(interval)
                            ended = (await c.task("bow")).status.jobs_ended
                            fs = await s.next(20)
                            seen.append((ended, fs.job, fs.age()))

        with rig.Daemon() as daemon:
            with facetd.connect(daemon.address) as c, c.stream(["bow"]) as s:
                for interval, reads in self.READS:
                    seen, tries = [], 0
                    while not seen or not self.judge(interval, seen, tries):
                        seen, tries = [], tries + 1
                        for _ in range(reads):
                            time.sleep(interval)
                            ended = c.task("bow").status.jobs_ended
                            fs = s.next(20)
                            seen.append((ended, fs.job, fs.age()))
            rig.run(awaited(daemon.address))
