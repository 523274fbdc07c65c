"""Prints of each of some frame sets its task and job, then the count and the
digest of all. A Go test compares it with what Go received."""

import sys

import facetd

address, count = sys.argv[1:]
digest = facetd.Digest()
with facetd.connect(address) as client, client.stream(overflow="queue", queue_length=1024, reconnect=facetd.NO_RECONNECT) as stream:
    for fs in stream:
        if fs.gap:
            sys.exit(f"lost: {fs.gap}")
        digest.add(fs)
        print(fs.task, fs.job)
        if digest.sets == int(count):
            break
print(digest.sets, digest.hexdigest())
