// Reads a recording with programs that know nothing of facetd: MCAP by @mcap/core
// through its indexes, zstd by fzstd, protobuf by protobufjs from the schemas that the
// file itself holds. Prints one JSON object.
const fs = require("fs");
const crypto = require("crypto");
const { McapIndexedReader } = require("@mcap/core");
const { decompress } = require("fzstd");
const protobuf = require("protobufjs");
const descriptor = require("protobufjs/ext/descriptor");

class File {
  constructor(path) { this.fd = fs.openSync(path, "r"); this.length = BigInt(fs.fstatSync(this.fd).size); }
  async size() { return this.length; }
  async read(offset, length) {
    const out = new Uint8Array(Number(length));
    if (fs.readSync(this.fd, out, 0, out.length, Number(offset)) !== out.length) throw new Error("short read");
    return out;
  }
}

async function main() {
  const reader = await McapIndexedReader.Initialize({
    readable: new File(process.argv[2]),
    decompressHandlers: { zstd: (data, size) => decompress(data, new Uint8Array(Number(size))) },
  });
  const types = new Map();
  for (const [id, schema] of reader.schemasById) {
    const root = protobuf.Root.fromDescriptor(descriptor.FileDescriptorSet.decode(schema.data));
    types.set(id, root.lookupType(schema.name));
  }
  const out = {
    profile: reader.header.profile, statistics: Number(reader.statistics.messageCount),
    topics: {}, sets: [], images: [],
  };
  for await (const m of reader.readMessages()) {
    const channel = reader.channelsById.get(m.channelId);
    const t = (out.topics[channel.topic] ??= { count: 0, sequence: 0, first: m.logTime.toString(), last: "" });
    t.count++;
    t.sequence = m.sequence;
    t.last = m.logTime.toString();
    const type = types.get(channel.schemaId);
    const value = type.decode(m.data);
    if (type.name === "FrameSet") {
      const pixels = crypto.createHash("sha256");
      for (const f of value.frames) pixels.update(f.data);
      out.sets.push({
        task: value.task, job: value.job.toString(), finish: value.finish_bus_ns.toString(), late: value.late,
        log: m.logTime.toString(), publish: m.publishTime.toString(), pixels: pixels.digest("hex"),
      });
    }
    if (type.name === "RawImage") {
      out.images.push({
        topic: channel.topic, log: m.logTime.toString(), width: value.width, height: value.height, step: value.step,
        encoding: value.encoding, frame: value.frame_id,
        pixels: crypto.createHash("sha256").update(value.data).digest("hex"),
      });
    }
  }
  console.log(JSON.stringify(out));
}

main().catch((e) => { console.error(e); process.exit(1); });
