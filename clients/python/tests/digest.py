"""Prints of each frame set of some seconds its task and job, then the count and the
digest of all. A Go test compares it with what Go received."""

import sys
import time

import facetd

address, seconds = sys.argv[1:]
digest = facetd.Digest()
with facetd.connect(address) as client, client.stream(overflow="queue", queue_length=1024, reconnect=facetd.NO_RECONNECT) as stream:
    end = time.monotonic() + float(seconds)
    for fs in stream:
        if fs.gap:
            sys.exit(f"lost: {fs.gap}")
        digest.add(fs)
        print(fs.task, fs.job)
        if time.monotonic() > end:
            break
print(digest.sets, digest.hexdigest())
