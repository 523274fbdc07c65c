// Reads frame sets at several intervals, with types made from the schema by protobufjs and HTTP/2 as node has it.
//
// fresh.cjs DESCRIPTORS ADDRESS SECONDS MS...: DESCRIPTORS is a file with a google.protobuf.FileDescriptorSet, ADDRESS
// one of gRPC (HOST:PORT or unix:PATH), or one of HTTP (http://HOST:PORT), where it asks by long polls. Prints a line
// for every read: the interval, the host time at which the read returned and that of the first sample, in nanoseconds.
const fs = require("fs");
const http2 = require("http2");
const net = require("net");
const protobuf = require("protobufjs");
const descriptor = require("protobufjs/ext/descriptor");

const [path, address, seconds, ...intervals] = process.argv.slice(2);
const root = protobuf.Root.fromDescriptor(descriptor.FileDescriptorSet.decode(fs.readFileSync(path)));
const type = (name) => root.lookupType("facetd.v1." + name);
const sleep = (ms) => new Promise((done) => setTimeout(done, ms));
const nowNS = () => BigInt(Math.round((performance.timeOrigin + performance.now()) * 1e3)) * 1000n;

// Messages gives whole messages of a gRPC stream: a byte that says whether one is compressed, four of its length.
class Messages {
  constructor(stream) {
    this.have = Buffer.alloc(0);
    this.waits = [];
    stream.on("data", (piece) => {
      this.have = Buffer.concat([this.have, piece]);
      this.waits.splice(0).forEach((wake) => wake());
    });
    for (const told of ["response", "trailers"]) {
      stream.on(told, (h) => {
        if (!Number(h["grpc-status"] ?? 0)) return;
        console.error(`status ${h["grpc-status"]}: ${decodeURIComponent(h["grpc-message"])}`);
        process.exit(1);
      });
    }
  }
  async next(of) {
    for (;;) {
      if (this.have.length >= 5 && this.have.length >= 5 + this.have.readUInt32BE(1)) {
        const length = this.have.readUInt32BE(1), body = this.have.subarray(5, 5 + length);
        this.have = this.have.subarray(5 + length);
        return of.decode(body);
      }
      await new Promise((wake) => this.waits.push(wake));
    }
  }
}

function send(stream, message) {
  const body = type("FollowFrameSetsRequest").encode(message).finish(), head = Buffer.alloc(5);
  head.writeUInt32BE(body.length, 1);
  stream.write(Buffer.concat([head, body]));
}

// follow grants a frame set with every read.
async function follow() {
  const unix = address.startsWith("unix:") && address.slice(5);
  const session = http2.connect(unix ? "http://localhost" : "http://" + address, unix ? { createConnection: () => net.connect(unix) } : {});
  const stream = session.request({
    ":method": "POST", ":path": "/facetd.v1.FrameService/FollowFrameSets", "content-type": "application/grpc", te: "trailers",
  });
  const messages = new Messages(stream), response = type("FollowFrameSetsResponse");
  send(stream, { start: {} });
  if (!(await messages.next(response)).begun) throw new Error("the stream has not begun");
  const read = async () => {
    send(stream, { grant: { frame_sets: 1 } });
    for (;;) {
      const m = await messages.next(response);
      if (m.delivery) return m.delivery.frame_set;
    }
  };
  return { read, close: () => session.destroy() };
}

// ask asks for what is newer than what it has.
async function ask() {
  let instance = "", had = [];
  const read = async () => {
    for (;;) {
      const answer = await fetch(address + "/facetd.v1.FrameService/WaitFrameSets", {
        method: "POST", headers: { "Content-Type": "application/json" },
        body: JSON.stringify({ instance_id: instance, newer_than: had, wait: "5s" }),
      });
      const m = await answer.json();
      if (!answer.ok) throw new Error(JSON.stringify(m));
      instance = m.identity.instance_id;
      const set = m.deliveries?.[0]?.frame_set;
      if (!set) continue;
      had = [{ task: set.task, generation: set.task_generation, job: set.job }];
      return set;
    }
  };
  return { read, close: () => {} };
}

function sampledNS(set) {
  const at = set.frames[0].first_sample_time;
  if (typeof at !== "string") return BigInt(at.seconds.toString()) * 1000000000n + BigInt(at.nanos);
  const [, whole, part = ""] = /^(.*?)(?:\.(\d+))?Z$/.exec(at);
  return BigInt(Date.parse(whole + "Z")) * 1000000n + BigInt(part.padEnd(9, "0"));
}

async function main() {
  const out = [];
  await Promise.all(intervals.map(async (ms) => {
    const { read, close } = await (address.startsWith("http:") ? ask() : follow());
    const end = performance.now() + seconds * 1e3;
    while (performance.now() < end) {
      await sleep(Number(ms));
      const set = await read();
      out.push(`${ms} ${nowNS()} ${sampledNS(set)}`);
    }
    close();
  }));
  // An exit does not wait for what a pipe has not taken.
  await new Promise((done) => process.stdout.write(out.join("\n") + "\n", done));
}

module.exports = { type, Messages, send };
if (require.main === module) {
  main().then(() => process.exit(0), (e) => {
    console.error(e);
    process.exit(1);
  });
}
