"""Follows a task through whatever becomes of it and of its daemon, with classes made from the schema and nothing of ours
around them.

watch.py DESCRIPTORS ADDRESS TASK: DESCRIPTORS is a file with a google.protobuf.FileDescriptorSet. Prints a line for each
thing that it is told: begun INSTANCE SAME GENERATION RESUMED MISSED, notice CHANGE GENERATION, set GENERATION JOB, and
broken where the stream is.
"""

import queue
import sys
import time

import grpc

from fresh import messages


def follow(message, address, task, instance, position):
    """Yields what the daemon says, and the grants that it is to have are put into the queue that comes first."""
    ask, response = message("FollowFrameSetsRequest"), message("FollowFrameSetsResponse")
    asked = queue.SimpleQueue()
    after = [message("TaskPosition")(task=task, generation=position[0], job=position[1])] if position else []
    asked.put(ask(start=message("FollowStart")(selection=message("FrameSelection")(tasks=[task]), frame_sets=1,
                                               instance_id=instance, after=after)))
    # A channel of its own for every try: how long grpc waits to connect again is not what is tried here.
    with grpc.insecure_channel(address, options=[("grpc.use_local_subchannel_pool", 1)]) as channel:
        stream = channel.stream_stream("/facetd.v1.FrameService/FollowFrameSets",
                                       request_serializer=ask.SerializeToString,
                                       response_deserializer=response.FromString)(iter(asked.get, None))
        try:
            for m in stream:
                yield m
                if m.WhichOneof("event") == "delivery":
                    asked.put(ask(grant=message("FollowGrant")(frame_sets=1)))
        finally:
            asked.put(None)


def main():
    message, address, task = messages(sys.argv[1]), sys.argv[2], sys.argv[3]
    say = lambda *words: print(*words, flush=True)  # noqa: E731
    instance, position = "", None
    while True:
        try:
            for m in follow(message, address, task, instance, position):
                kind = m.WhichOneof("event")
                if kind == "begun":
                    b = m.begun
                    t = b.tasks[0] if b.tasks else message("FollowedTask")()
                    say("begun", b.identity.instance_id, int(b.same_instance), t.generation, int(t.resumed), t.missed)
                    instance = b.identity.instance_id
                elif kind == "task_notice":
                    say("notice", m.task_notice.change, m.task_notice.generation)
                elif kind == "delivery":
                    s = m.delivery.frame_set
                    say("set", s.task_generation, s.job)
                    position = (s.task_generation, s.job)
        except grpc.RpcError:
            say("broken")
        time.sleep(0.05)


main()
