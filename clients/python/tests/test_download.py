"""Downloads of recordings from a server that does what a real daemon does not at will."""

import os
import pathlib
import tempfile
import unittest
from unittest import mock

import grpc

import facetd
from facetd._schema import new

from . import rig


class Downloads(unittest.TestCase):
    """A server that breaks off in the middle, again and again."""

    FILE = bytes(range(251)) * 9

    def breaking(self, asked, most=1 << 30):
        """Returns what answers with two pieces of 100 bytes at a time and breaks off, and with nothing behind most."""

        def answer(r, context):
            asked.append((r.file, r.offset, r.etag))
            end = min(r.offset + 200, len(self.FILE), most)
            for at in range(r.offset, end, 100):
                data = self.FILE[at : min(at + 100, end)]
                yield new("DownloadRecordingResponse", offset=at, data=data, total_bytes=len(self.FILE), etag="the-tag")
            if end < len(self.FILE):
                context.abort(grpc.StatusCode.UNAVAILABLE, "the cable came off")

        return {"RecordService/DownloadRecording": answer}

    async def download(self, blocking, fake, to):
        if blocking:
            with facetd.connect(fake.address) as c:
                return c.download_recording("run-001.mcap", to)
        async with facetd.aio.connect(fake.address) as c:
            return await c.download_recording("run-001.mcap", to)

    def each(self, check):
        for blocking in (True, False):
            with self.subTest(blocking=blocking), tempfile.TemporaryDirectory() as folder:
                with mock.patch("facetd.client.PAUSE", 0.01), mock.patch("facetd.aio.PAUSE", 0.01):
                    check(blocking, pathlib.Path(folder, "here.mcap"))

    def test_what_breaks_off_goes_on_where_it_was(self):
        def check(blocking, to):
            asked = []
            with rig.Fake(self.breaking(asked)) as fake:
                self.assertEqual(rig.run(self.download(blocking, fake, to)), len(self.FILE))
            self.assertEqual(to.read_bytes(), self.FILE)
            self.assertEqual(os.listdir(to.parent), [to.name])
            self.assertEqual(asked[0], ("run-001.mcap", 0, ""))
            self.assertEqual(asked[1:], [("run-001.mcap", at, "the-tag") for at in range(200, len(self.FILE), 200)])

        self.each(check)

    def test_what_does_not_go_on_leaves_the_file_as_it_was(self):
        def check(blocking, to):
            to.write_bytes(b"as it was")
            asked = []
            with rig.Fake(self.breaking(asked, most=300)) as fake, self.assertRaises(facetd.UnavailableError):
                rig.run(self.download(blocking, fake, to))
            self.assertEqual([at for _, at, _ in asked], [0, 200] + [300] * 5)
            self.assertEqual((to.read_bytes(), os.listdir(to.parent)), (b"as it was", [to.name]))

        self.each(check)

    def test_a_stream_that_ends_early_is_no_whole_file(self):
        def check(blocking, to):
            asked = []

            def answer(r, context):
                asked.append(r.offset)
                data = self.FILE[:100] if r.offset == 0 else b""
                if len(asked) > 50:
                    context.abort(grpc.StatusCode.INTERNAL, "it never ends")
                yield new("DownloadRecordingResponse", offset=r.offset, data=data, total_bytes=len(self.FILE), etag="t")

            with rig.Fake({"RecordService/DownloadRecording": answer}) as fake, self.assertRaises(facetd.UnavailableError):
                rig.run(self.download(blocking, fake, to))
            self.assertLess(len(asked), 10)
            self.assertEqual(os.listdir(to.parent), [])

        self.each(check)
