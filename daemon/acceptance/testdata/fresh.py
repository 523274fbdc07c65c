"""Reads frame sets at several intervals, with classes made from the schema and nothing of ours around them.

fresh.py DESCRIPTORS ADDRESS SECONDS MS...: DESCRIPTORS is a file with a google.protobuf.FileDescriptorSet. Prints a line
for every read: the interval, the host time at which the read returned and that of the first sample, in nanoseconds.
"""

import queue
import sys
import threading
import time

import grpc
from google.protobuf import descriptor_pb2, descriptor_pool, message_factory


def messages(path):
    files, pool = descriptor_pb2.FileDescriptorSet(), descriptor_pool.DescriptorPool()
    with open(path, "rb") as f:
        files.ParseFromString(f.read())
    for file in files.file:
        pool.AddSerializedFile(file.SerializeToString())
    if hasattr(message_factory, "GetMessageClass"):  # protobuf 4.22 and newer
        make = message_factory.GetMessageClass
    else:
        make = message_factory.MessageFactory(pool).GetPrototype
    return lambda name: make(pool.FindMessageTypeByName("facetd.v1." + name))


def read(message, address, seconds, interval_ms, out):
    ask, response = message("FollowFrameSetsRequest"), message("FollowFrameSetsResponse")
    asked = queue.SimpleQueue()
    asked.put(ask(start=message("FollowStart")()))
    with grpc.insecure_channel(address) as channel:
        follow = channel.stream_stream("/facetd.v1.FrameService/FollowFrameSets",
                                       request_serializer=ask.SerializeToString,
                                       response_deserializer=response.FromString)
        stream = follow(iter(asked.get, None))
        assert next(stream).WhichOneof("event") == "begun"
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            time.sleep(interval_ms / 1e3)
            asked.put(ask(grant=message("FollowGrant")(frame_sets=1)))
            while True:
                m = next(stream)
                if m.WhichOneof("event") == "delivery":
                    break
            at = time.time_ns()
            out.append((interval_ms, at, m.delivery.frame_set.frames[0].first_sample_time.ToNanoseconds()))
        asked.put(None)


def main():
    message, address, seconds = messages(sys.argv[1]), sys.argv[2], float(sys.argv[3])
    out = []
    readers = [threading.Thread(target=read, args=(message, address, seconds, int(ms), out)) for ms in sys.argv[4:]]
    for r in readers:
        r.start()
    for r in readers:
        r.join()
    for line in out:
        print(*line)


if __name__ == "__main__":
    main()
