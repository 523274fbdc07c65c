"""Estimates of motion, against a fake daemon."""

import unittest

import numpy as np

import facetd
from facetd._schema import new

from . import rig


def delivery(e, dropped=0, lost=0):
    return new("StreamMotionResponse", delivery=new("MotionDelivery", estimate=e, dropped_total=dropped, frame_sets_lost_total=lost))


def begun():
    return new("StreamMotionResponse", begun=new("MotionBegun", identity=new("Identity", instance_id="one")))


def told(job=3):
    """An estimate of which everything is told: by one chip about x and y, by another about z."""
    chips = [
        new("ChipMotion", chip="a", view="v", shift_x_px=0.5, shift_y_px=-1.0, shift_covariance_px2=[4, 1, 9],
            rate_rad_per_s=[1, 2, 0], rate_information=[4, 0, 0, 0, 4, 0, 0, 0, 0], expansion_per_s=0.25, previous_job=job - 1),
        new("ChipMotion", chip="b", view="v", shift_covariance_px2=[1, 0, 1], rate_rad_per_s=[0, 0, 3],
            rate_information=[0, 0, 0, 0, 0, 0, 0, 0, 16], contrast_decades=0.5),
        new("ChipMotion", chip="c", view="v", reason=4, texture=2.5),
        new("ChipMotion", chip="d", view="v", reason=99),
    ]  # fmt: skip
    near = [new("ChipNearness", chip="a", nearness_per_s=0.5, contact_s=2.5), new("ChipNearness", chip="b", contact_s=1.5),
            new("ChipNearness", chip="c", left_out=True)]  # fmt: skip
    body = new("BodyMotion", told=True, rate_rad_per_s=[1, 2, 3], rate_covariance=range(9), heading=[1, 0, 0],
               heading_covariance=[0.0] * 9, chips=near, bus_ns=70)  # fmt: skip
    return new("MotionEstimate", task="t", task_generation=2, job=job, chips=chips, body=body, release_bus_ns=60)


class Motion(unittest.TestCase):
    def both(self, answer, use, **options):
        """Runs use with a blocking stream, and with the asyncio one made blocking; it gets a function that returns the
        next estimate."""
        answers = {"MotionService/StreamMotion": answer}
        with rig.Fake(answers) as fake, facetd.connect(fake.address) as c, c.motion(**options) as s:
            use(lambda t=5: s.next(t), s)
        with rig.Fake(answers) as fake:
            async def open_():
                c = await facetd.aio.connect(fake.address)
                s = c.motion(**options)
                await s.__aenter__()
                return c, s

            c, s = rig.run(open_())
            use(lambda t=5: rig.run(s.next(t)), s)
            rig.run(c.close())

    def test_what_is_told(self):
        def answer(requests, context):
            start = next(requests).start
            self.assertEqual((list(start.tasks), list(start.chips), start.estimates), (["t"], ["a", "b"], 0))
            self.assertEqual((start.heartbeat_interval.seconds, start.heartbeat_interval.nanos), (0, 500_000_000))
            yield begun()
            self.assertEqual(next(requests).grant.estimates, 1)
            yield delivery(told(), dropped=2, lost=1)
            rig.hold(context)

        def use(next_one, stream):
            e = next_one()
            self.assertEqual((e.task, e.task_generation, e.job, e.release_bus_ns, stream.dropped), ("t", 2, 3, 60, 3))
            a, b, c, d = e.chips
            self.assertEqual((a.reason, a.previous_job, a.expansion_per_s, a.expansion_sd_per_s, a.contrast_decades), (None, 2, 0.25, None, None))
            np.testing.assert_array_equal(a.shift_px, [0.5, -1])
            np.testing.assert_array_equal(a.shift_covariance_px2, [[4, 1], [1, 9]])
            with self.assertRaises(ValueError):
                a.shift_px[0] = 1
            self.assertEqual((b.contrast_decades, e.chip("b"), e.chip("z")), (0.5, b, None))
            self.assertEqual((c.reason, c.shift_px, c.rate_rad_per_s, c.texture), (facetd.MotionReason.DIM, None, None, 2.5))
            self.assertEqual(d.reason, facetd.MotionReason.UNKNOWN)  # of a newer daemon: there is no estimate all the same
            self.assertIsNone(d.rate_rad_per_s)
            np.testing.assert_array_equal(e.body.rate_covariance, np.arange(9.0).reshape(3, 3))
            self.assertEqual((e.body.first_contact(), e.body.bus_ns, e.body.rotation_only), (("b", 1.5), 70, False))
            self.assertEqual((e.body.chips["a"].nearness_per_s, e.body.chips["c"].left_out), (0.5, True))
            rate, covariance = facetd.shared_rate(e.chips)
            np.testing.assert_allclose(rate, [1, 2, 3])
            np.testing.assert_allclose(covariance, np.diag([1 / 4, 1 / 4, 1 / 16]))
            self.assertIsNone(facetd.shared_rate([a]))  # it tells nothing about z

        self.both(answer, use, tasks=["t"], chips=["a", "b"], heartbeat=0.5)

    def test_nothing_told(self):
        def answer(requests, context):
            next(requests)
            yield begun()
            yield delivery(new("MotionEstimate", task="t", body=new("BodyMotion")))
            rig.hold(context)

        self.both(answer, lambda next_one, stream: self.assertIsNone(next_one().body))

    def test_a_daemon_that_says_nothing_is_gone(self):
        def answer(requests, context):
            next(requests)
            yield begun()
            rig.hold(context)

        def use(next_one, stream):
            with self.assertRaisesRegex(facetd.UnavailableError, "nothing was heard"):
                next_one(60)

        self.both(answer, use, heartbeat=0.05, reconnect=facetd.NO_RECONNECT)

    def test_it_connects_again(self):
        calls = []

        def answer(requests, context):
            calls.append(next(requests).start)
            yield begun()
            if not calls[-1].estimates:  # the read that waited asks again with the start
                next(requests)
            yield delivery(told(len(calls)), dropped=1)
            if len(calls) % 2 == 0:
                rig.hold(context)

        def use(next_one, stream):
            self.assertEqual([next_one(60).job % 2, next_one(60).job % 2, stream.dropped], [1, 0, 2])

        self.both(answer, use)
        self.assertEqual(len(calls), 4)

    def test_a_read_that_times_out_gets_the_newest_later(self):
        def answer(requests, context):
            next(requests)
            yield begun()
            for job in range(1, 4):
                next(requests)
                if job == 1:
                    rig.eventually(lambda: not context.is_active() or timed_out)
                yield delivery(told(job))
            rig.hold(context)

        def use(next_one, stream):
            timed_out.clear()
            with self.assertRaisesRegex(facetd.DeadlineError, "no estimate of motion came in time"):
                next_one(0.01)
            timed_out.append(True)
            jobs = [next_one().job]
            while jobs[-1] < 3:
                jobs.append(next_one().job)
            self.assertEqual(jobs, sorted(set(jobs)))
            self.assertEqual(stream.dropped, 3 - len(jobs))

        timed_out = []
        self.both(answer, use)


if __name__ == "__main__":
    unittest.main()
