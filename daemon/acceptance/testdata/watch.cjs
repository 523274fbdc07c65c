// Follows a task through whatever becomes of it and of its daemon, with types made from the schema by protobufjs and
// HTTP/2 as node has it.
//
// watch.cjs DESCRIPTORS ADDRESS TASK: prints what watch.py does.
const http2 = require("http2");
const { type, Messages, send } = require("./fresh.cjs");

const [, address, task] = process.argv.slice(2);
const say = (...words) => console.log(words.join(" "));
let instance = "", position;

async function follow() {
  const session = http2.connect("http://" + address);
  session.on("error", () => {}); // the stream's is enough
  const stream = session.request({
    ":method": "POST", ":path": "/facetd.v1.FrameService/FollowFrameSets", "content-type": "application/grpc", te: "trailers",
  });
  const ended = new Promise((_, fail) => ["error", "close"].forEach((e) => stream.on(e, () => fail(new Error("broken")))));
  const messages = new Messages(stream), response = type("FollowFrameSetsResponse");
  try {
    send(stream, { start: { selection: { tasks: [task] }, frame_sets: 1, instance_id: instance, after: position ? [position] : [] } });
    for (;;) {
      const m = await Promise.race([messages.next(response), ended]);
      if (m.begun) {
        const t = m.begun.tasks[0] ?? {};
        instance = m.begun.identity.instance_id;
        say("begun", instance, m.begun.same_instance ? 1 : 0, t.generation ?? 0, t.resumed ? 1 : 0, t.missed ?? 0);
      } else if (m.task_notice) {
        say("notice", m.task_notice.change, m.task_notice.generation);
      } else if (m.delivery) {
        const s = m.delivery.frame_set;
        say("set", s.task_generation, s.job);
        position = { task, generation: s.task_generation, job: s.job };
        send(stream, { grant: { frame_sets: 1 } });
      }
    }
  } finally {
    session.destroy();
  }
}

(async () => {
  for (;;) {
    await follow().catch(() => say("broken"));
    await new Promise((done) => setTimeout(done, 50));
  }
})();
