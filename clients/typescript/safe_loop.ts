// Steers by the newest frame sets of a task, and halts whenever what it sees cannot be trusted: old, late, failed or
// clipped frames, another run of the daemon, or none at all. It needs no package: the API over HTTP is JSON.
//
//   npx tsc --target es2022 --module nodenext safe_loop.ts && node safe_loop.js http://127.0.0.1:7661 wall
//
// Take care: it shows how to guard a loop and is no safety function. What is safe when frames fail is for a risk
// assessment of the machine and qualified people to say.

// What is used of the schema. 64-bit numbers are strings in JSON, and what is 0, false or empty is not there.
interface Frame { chip: string; rows: number; columns: number; data: string; light_bus_ns?: string;
  clipped_low?: number; clipped_high?: number }
interface FrameSet { task: string; job?: string; task_generation: string; late?: boolean; failure?: string;
  frames?: Frame[] }
interface Waited { identity: { instance_id: string }; deliveries?: { frame_set: FrameSet }[] }
interface Clocks { clock: { bus_ns?: string } }

/** The oldest light that may be acted on, and how long without a frame set it goes on; milliseconds. */
const maxAge = 150, silence = 250;

export class Loop {
  private position: { instance: string; generation: string; job: string } | undefined;

  constructor(private readonly address: string, private readonly task: string) {}

  private async call<T>(method: string, request: object, timeout: number): Promise<T> {
    const response = await fetch(`${this.address}/facetd.v1.${method}`, { method: "POST", body: JSON.stringify(request),
      headers: { "Content-Type": "application/json" }, signal: AbortSignal.timeout(timeout) });
    if (!response.ok) throw new Error(await response.text());
    return await response.json() as T;
  }

  /** Waits for the newest frame set, and says why it must not be acted on; empty where it may be. */
  async next(): Promise<string> {
    // The answer's bus time is no earlier than that of the request: what is counted from here makes light no younger.
    const asked = performance.now();
    const { clock } = await this.call<Clocks>("StatusService/GetClock", {}, silence);
    const before = this.position;
    const waited = await this.call<Waited>("FrameService/WaitFrameSets", {
      selection: { tasks: [this.task] }, wait: `${silence / 1000}s`, instance_id: before?.instance ?? "",
      newer_than: before ? [{ task: this.task, generation: before.generation, job: before.job }] : [],
    }, 2 * silence);
    const set = waited.deliveries?.[0]?.frame_set;
    if (!set) return "no frames";
    this.position = { instance: waited.identity.instance_id, generation: set.task_generation, job: set.job ?? "0" };
    if (set.failure) return `failed: ${set.failure}`;
    if (set.late) return "late";
    if (!set.frames?.length) return "no frames in the set";
    if (before && (before.instance !== this.position.instance || before.generation !== this.position.generation))
      return "another daemon or task: forget what was seen before";
    for (const frame of set.frames) {
      const age = Number(BigInt(clock.bus_ns ?? 0) - BigInt(frame.light_bus_ns ?? 0)) / 1e6 + performance.now() - asked;
      if (age > maxAge) return "old";
      if ((frame.clipped_low ?? 0) + (frame.clipped_high ?? 0) > frame.rows * frame.columns / 10)
        return `clipped: ${frame.chip}`;
    }
    return "";
  }
}

/** tell stands for the machine's drive. The loop ends after so many frame sets. */
export async function loop(address: string, task: string, sets: number, tell: (what: string) => void): Promise<void> {
  const frames = new Loop(address, task);
  for (let seen = 0; seen < sets;) {
    const watchdog = setTimeout(() => tell("HALT no frames"), silence); // while an answer is waited for
    try {
      const why = await frames.next();
      if (why !== "no frames") seen++;
      tell(why ? `HALT ${why}` : "GO");
    } catch (error) { // the daemon or the way to it is gone, or it says that there will be none: ask again, not at once
      tell(`HALT ${error instanceof Error ? error.message : error}`);
      await new Promise((resolve) => setTimeout(resolve, silence));
    } finally {
      clearTimeout(watchdog);
    }
  }
  tell("HALT the loop ended");
}

declare const process: { argv: string[] } | undefined; // of node
if (typeof process !== "undefined" && process.argv.length > 3) {
  let told = "";
  await loop(process.argv[2], process.argv[3], Number(process.argv[4] ?? 100), (what) => {
    if (what !== told) console.log(told = what);
  });
}
