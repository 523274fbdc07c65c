"""Judges plans by the bus rules, without facetd: check_plan.py FILE...

Each FILE is what `facetd plan ARRAY TASKS --operations --output json` prints (- is
standard input), or its field `operations` alone. It needs nothing but Python 3. The
rules are those of deploy/guide/checking.md, by number. Exit status 1 where one is broken.
"""

import json
import math
import sys

SELECT, WRITE, STROBE, WAIT, SCAN, CLOCK_OUT = ("OPERATION_KIND_" + k for k in ("SELECT", "WRITE", "STROBE", "WAIT", "SCAN", "CLOCK_OUT"))
ENABLE, COLUMNS, ROWS = "REGISTER_OUTPUT_ENABLE", "REGISTER_COLUMN_PATTERN", "REGISTER_ROW_PATTERN"
PIXEL_BIAS, OUTPUT_BIAS = "REGISTER_PIXEL_BIAS", "REGISTER_OUTPUT_BIAS"
LONG_AGO = -(1 << 62)


def ns(text):
    """A duration such as "0.000001500s" in nanoseconds; None stays None."""
    if text is None:
        return None
    whole, _, part = text.rstrip("s").partition(".")
    sign = -1 if whole.startswith("-") else 1
    return sign * (abs(int(whole)) * 10**9 + int((part + "000000000")[:9]))


def num(message, field):
    """A number, which JSON has as a string where it has 64 bits, and not at all where it is 0."""
    return int(message.get(field, 0))


def up(x):
    """Up to a whole nanosecond; a millionth of one is rounding."""
    return math.ceil(x - 1e-6)


class Chip:
    """What the array says of a chip, and what the operations have made of it."""

    def __init__(self, spec, cls, lane, chips_on_lane, bits):
        self.name, self.cls, self.lane, self.wires = spec["name"], cls, spec["lane"], frozenset(spec["selects"])
        readout, converter = cls["readout"], lane["converter"]
        self.step, self.row_step = ns(readout.get("step", "0s")), ns(readout.get("row_step", "0s"))
        self.conversion, self.holds = ns(converter.get("conversion", "0s")), bool(converter.get("sample_and_hold"))
        self.rows, self.columns = cls["lattice"]["rows"], cls["lattice"]["columns"]
        self.memory, self.switches, self.counter = cls.get("memory"), cls.get("pixel_switches"), cls.get("counter")
        self.bits = bits
        self.nominal = ns(readout.get("settle"))
        if self.nominal is None:
            picofarads = lane.get("line_capacitance_pf", 0) + chips_on_lane * lane.get("chip_capacitance_pf", 0)
            self.nominal = up(readout.get("output_resistance_ohms", 0) * picofarads * 1e-3 * (converter["bits"] + 1) * math.log(2))
        self.registers = {PIXEL_BIAS: (cls.get("pixel_bias") or {}).get("nominal", 0), OUTPUT_BIAS: (cls.get("output_bias") or {}).get("nominal", 0)}
        self.position = None  # of the counter
        self.loaded_at = self.loader = self.owner = self.load_bias = None
        self.torn, self.shares, self.was_read, self.disturbed = False, [], False, False
        self.pattern_at = LONG_AGO
        self.shutter = (cls.get("linear") or {}).get("shutter")
        self.exposing_since, self.exposure = None, 0  # by the bus

    def holding(self, register):
        return self.registers.get(register, 0)

    def settle(self):
        """What its lane needs at the output bias that it holds."""
        bias = self.cls.get("output_bias")
        short = bias.get("nominal", 0) - self.holding(OUTPUT_BIAS) if bias else 0
        if short <= 0:
            return self.nominal
        return up(self.nominal / max(1 - short * bias.get("bandwidth_per_step", 0), 0.01))

    def moves(self, w):
        """To the first pixel, to the next one of a row, and to the next row."""
        if self.counter is None:
            return self.row_step + self.step, self.step, self.row_step + self.step

        def passed(a, b):  # from pixel a to pixel b, each (row, column) of the lattice
            pixels = (b[0] - a[0]) * self.columns + b[1] - a[1]
            return pixels * self.step + (b[0] - a[0]) * self.row_step

        row, column = w.get("row", 0), w.get("column", 0)
        last = column + (w["columns"] - 1) * w["column_step"]
        first = passed((0, -1), (row, column))
        return first, w["column_step"] * self.step, passed((row, last), (row + w["row_step"], column))

    def share_needs(self, columns, rows):
        measured = ns(self.memory.get("share_settle"))
        if measured is not None:
            return measured
        n = max(longest_run(columns, self.columns), longest_run(rows, self.rows))
        if n < 2:
            return 0
        rc = self.memory.get("switch_resistance_ohms", 0) * self.memory.get("cell_capacitance_ff", 0) * 1e-6
        return int(rc * math.log(2) * self.bits / (2 * (1 - math.cos(math.pi / n))))


def longest_run(pattern, cells):
    run = longest = 1
    for k in range(cells - 1):
        run = run + 1 if pattern >> (k % 8) & 1 else 1
        longest = max(longest, run)
    return longest


class Checker:
    """Runs operations and notes the rules that they break."""

    def __init__(self, operations):
        self.o, array = operations, operations["array"]
        self.broken = []  # (rule, time, what)
        self.grain, timing = num(operations, "grain_ns") or 1, array["timing"]
        self.dead, self.setup = ns(timing.get("dead_time", "0s")), ns(timing.get("select_setup", "0s"))
        self.write_time, self.strobe_time = ns(timing.get("write", "0s")), ns(timing.get("strobe", "0s"))
        classes, lanes = {c["name"]: c for c in array["classes"]}, {x["name"]: x for x in array["lanes"]}
        bits, on_lane = {}, {}
        for c in array["chips"]:
            bits[c["class"]] = max(bits.get(c["class"], 0), lanes[c["lane"]]["converter"]["bits"])
            on_lane[c["lane"]] = on_lane.get(c["lane"], 0) + 1
        self.chips = {c["name"]: Chip(c, classes[c["class"]], lanes[c["lane"]], on_lane[c["lane"]], bits[c["class"]]) for c in array["chips"]}
        self.changed, self.converting = dict.fromkeys(lanes, LONG_AGO), dict.fromkeys(lanes, LONG_AGO)
        self.jobs = {tuple(j["tasks"]): j for j in operations.get("jobs", [])}
        self.word, self.now = frozenset(), LONG_AGO
        self.open = {}  # by task: the job that has begun and not ended

    def fault(self, rule, at, what):
        self.broken.append((rule, at, what))

    def listening(self):
        return [c for c in self.chips.values() if c.wires <= self.word]

    def driving(self):
        return [c for c in self.listening() if c.holding(ENABLE) & 1]

    def one_driver(self, at):
        lanes = [c.lane for c in self.driving()]
        for lane in set(lanes):
            if lanes.count(lane) > 1:
                self.fault(1, at, f"{lanes.count(lane)} chips drive lane {lane}")

    def lane_changes(self, chip, at):
        self.changed[chip.lane] = max(self.changed[chip.lane], at)

    def on_grid(self, *times):
        if any(t % self.grain for t in times):
            self.fault(8, times[0], "not on a step of the bus's clock")

    def run(self):
        if self.o.get("initialization"):
            s = self.o["initialization"]
            whole = {"tasks": [], "segments": 1, "chips": list(self.chips)}
            self.segment(s, 0, whole, ((), 0), num(s, "start_ns"), None)
        cycle = num(self.o, "hyperperiod_ns")
        for k in (0, 1):
            for s in sorted(self.o.get("segments", []), key=lambda s: num(s, "start_ns")):
                job = self.jobs.get(tuple(s["tasks"]))
                if job is None:
                    self.fault(9, num(s, "start_ns"), f"there is no job of {s['tasks']}")
                    continue
                number = num(s, "job") + k * num(job, "jobs_per_cycle")
                self.segment(s, k * cycle, job, (tuple(s["tasks"]), number), num(s, "release_ns"), num(s, "deadline_ns"))
        for record in self.open.values():
            self.fault(9, self.now, f"job {record['who']} has not run whole")
        return self.broken

    def segment(self, s, shift, job, who, release, deadline):
        start = num(s, "start_ns") + shift
        if start < self.now or start < release + shift:
            self.fault(8, start, f"a segment of {who} begins before its time or in another")
        self.on_grid(start)
        self.now = max(self.now, start)
        record = self.open.get(who[0])
        if record and record["who"] != who:
            self.fault(9, start, f"job {record['who']} has not run whole")
            self.forget(record)
            record = None
        if not record:
            record = self.open[who[0]] = {"who": who, "ran": 0, "light": {}, "seen": {}, "job": job}
        if num(s, "index") != record["ran"]:
            self.fault(8, start, f"segment {s.get('index', 0)} of {who} where {record['ran']} is due")
        self.record, self.commands = record, {}
        for op in s["operations"]:
            begin, end = num(op, "start_ns") + shift, num(op, "end_ns") + shift
            if begin < self.now or end < begin:
                self.fault(8, begin, "an operation begins before the end of the one before it")
            self.on_grid(end)
            self.operation(op, begin, end, shift)
            self.now = max(self.now, end)
        for command in self.commands.values():
            if set(command["target"]) - command["reached"]:
                self.fault(3, self.now, f"a command of {who} does not reach its whole target")
        record["ran"] += 1
        if record["ran"] >= int(job["segments"]):
            self.end(record, None if deadline is None else deadline + shift)

    def end(self, record, deadline):
        job = record["job"]
        if deadline is not None and self.now > deadline:
            self.fault(9, self.now, f"{record['who']} ends after its deadline")
        for number, frame in enumerate(job.get("frames", [])):
            rows = sorted(record["seen"].get(number, []))
            if rows != list(range(frame["window"]["rows"])):
                self.fault(9, self.now, f"frame {number} of {record['who']} is not complete")
        skew = num(job, "max_skew_ns")
        if skew and record["light"] and max(record["light"].values()) - min(record["light"].values()) > skew:
            self.fault(7, self.now, f"the frames of {record['who']} are too far apart")
        pair, half = num(job, "pair_interval_ns"), len(job.get("frames", [])) // 2
        for number in range(half if pair else 0):
            if record["light"][half + number] - record["light"][number] != pair:
                self.fault(7, self.now, f"the frames of pair {number} of {record['who']} are not {pair} ns apart")
        self.forget(record)

    def forget(self, record):
        """A load is for its own job only."""
        for c in self.chips.values():
            if c.owner is record:
                c.owner, c.disturbed = None, False
            if c.loader is record:
                c.loader = c.loaded_at = None
        del self.open[record["who"][0]]

    def operation(self, op, begin, end, shift):
        kind = op["kind"]
        if kind == SELECT:
            self.select(op, begin, end)
        elif kind in (WRITE, STROBE):
            self.addressed(op, begin)
            if end - begin < (self.write_time if kind == WRITE else self.strobe_time):
                self.fault(6, begin, "a write or strobe is too short")
            (self.write if kind == WRITE else self.strobe)(op, begin, end)
        elif kind in (SCAN, CLOCK_OUT):
            self.readout(op, begin, end, shift)
        elif kind != WAIT:
            self.fault(6, begin, f"there is no operation {kind}")

    def select(self, op, begin, end):
        word = frozenset(op.get("word", []))
        if end - begin < self.dead + (self.setup if word else 0):
            self.fault(1, begin, "a select has no time to break before it makes")
        for c in self.driving():
            self.lane_changes(c, begin)
        active = min(begin + -(-self.dead // self.grain) * self.grain, end)
        self.word = word
        for c in self.chips.values():
            c.exposing_since = None
        for c in self.driving():
            self.lane_changes(c, active)
        self.one_driver(active)

    def addressed(self, op, at):
        what, target = (op["kind"], op["register"] if op["kind"] == WRITE else op["strobe"]), op.get("target", [])
        command = self.commands.setdefault(op["command"], {"what": what, "target": target, "reached": set()})
        if command["what"] != what or command["target"] != target:
            self.fault(2, at, "the parts of a command differ")
        if set(target) - set(self.record["job"]["chips"]):
            self.fault(2, at, "a command is meant for chips that are not the job's")
        for c in self.listening():
            if c.name not in target:
                self.fault(2, at, f"a command reaches {c.name}, which it is not meant for")
            if op["kind"] == STROBE and c.name in command["reached"]:
                self.fault(3, at, f"a strobe reaches {c.name} twice")
            command["reached"].add(c.name)
            if c.owner is not None and c.owner is not self.record:
                if not c.was_read:
                    self.fault(5, at, f"a command reaches {c.name}, whose load is not read yet")
                c.disturbed = True

    def write(self, op, begin, end):
        register, value = op["register"], op.get("value", 0)
        for c in self.listening():
            if c.holding(register) == value:
                continue
            drove = c.holding(ENABLE) & 1
            c.registers[register] = value
            if drove or c.holding(ENABLE) & 1:
                self.lane_changes(c, end)
            if register in (COLUMNS, ROWS):
                c.pattern_at = end
        if register == ENABLE:
            self.one_driver(end)

    def strobe(self, op, begin, end):
        strobe = op["strobe"]
        for c in self.listening():
            if strobe == "STROBE_LOAD" and c.memory is not None:
                c.loaded_at, c.loader, c.owner = begin, self.record, self.record
                c.load_bias, c.shares, c.was_read, c.disturbed = c.holding(PIXEL_BIAS), [], False, False
                c.torn = end - begin < c.rows * ns(c.memory.get("load_row", "0s"))
                c.exposure = 0
                if c.exposing_since is not None:
                    c.exposure, c.exposing_since = begin - c.exposing_since, None
                    longest = -(-ns(c.shutter["most"]) // self.grain) * self.grain
                    c.torn = c.torn or not max(ns(c.shutter["least"]), self.strobe_time) <= c.exposure <= longest
            elif strobe == "STROBE_EXPOSE" and c.shutter is not None:
                c.exposing_since = max(begin, end - num(op, "hold_ns"))
            elif strobe == "STROBE_SHARE" and c.memory is not None:
                patterns = (c.holding(COLUMNS), c.holding(ROWS))
                c.shares.append(patterns)
                if min(num(op, "hold_ns"), end - begin) < c.share_needs(*patterns):
                    c.torn = True
            elif strobe == "STROBE_RESET" and c.counter is not None:
                c.position = 0 if end - begin >= ns(c.counter.get("reset", "0s")) else None
            elif strobe == "STROBE_ADVANCE" and c.counter is not None:
                c.position = None if c.position is None else c.position + 1
            else:
                continue
            if c.holding(ENABLE) & 1:
                self.lane_changes(c, end)

    def readout(self, op, begin, end, shift):
        r = op["readout"]
        chips, beside = [self.chips[n] for n in r["chips"]], r.get("beside", [])
        for c in self.listening():
            if c.name not in r["chips"] and c.name not in beside:
                self.fault(2, begin, f"{c.name} listens during a readout that is not of it")
        if (set(r["chips"]) | set(beside)) - set(self.record["job"]["chips"]):
            self.fault(2, begin, "a readout is of chips that are not the job's")
        if len({c.lane for c in chips}) < len(chips):
            self.fault(1, begin, "two chips of one readout are on one lane")
        if len({c.cls["name"] for c in chips}) > 1:
            self.fault(6, begin, "the chips of a readout are of several classes")
        for name in beside:
            self.chips[name].position = None
        for c, frame in zip(chips, r["frames"]):
            self.claimed(op, c, begin)
            self.sampled(r, c, begin, end, shift)
            self.seen(r, c, frame, shift)

    def claimed(self, op, c, at):
        r, w = op["readout"], op["readout"]["window"]
        if c not in self.driving():
            self.fault(6, at, f"{c.name} is read and does not drive its lane")
        if (c.counter is not None) != (op["kind"] == CLOCK_OUT):
            self.fault(6, at, f"{c.name} is not read in this way")
        for claim in r.get("registers", []):
            register, value = claim["register"], claim.get("value", 0)
            if c.holding(register) != value or register == PIXEL_BIAS and c.loaded_at is not None and c.load_bias != value:
                self.fault(6, at, f"{c.name} does not hold the {register} that its frame claims")
        if c.memory is not None:
            shares = [tuple(sum(1 << i for i, b in enumerate(s[k]) if b == "1") for k in ("columns", "rows")) for s in r.get("shares", [])]
            if c.loaded_at is None or c.loader is not self.record or c.torn or c.shares != shares or c.exposure != num(r, "exposure_ns"):
                self.fault(6, at, f"{c.name} does not hold the load that its frame claims")
            if c.disturbed and c.owner is self.record:
                self.fault(5, at, f"{c.name} was disturbed before it was read to the end")
                c.disturbed = False
            c.was_read = True
        if c.counter is not None:
            if c.position != 0:
                self.fault(6, at, f"the counter of {c.name} was not reset")
            row = w.get("row", 0) + (w["rows"] - 1) * w["row_step"]
            c.position = row * c.columns + w.get("column", 0) + (w["columns"] - 1) * w["column_step"] + 1

    def sampled(self, r, c, begin, end, shift):
        w, settle = r["window"], c.settle()
        first, converted = num(r, "first_sample_ns") + shift, num(r, "converted_ns") + shift
        pixel, row = num(r, "pixel_interval_ns"), num(r, "row_interval_ns")
        self.on_grid(first, pixel, row)
        to_first, to_pixel, to_row = c.moves(w)
        busy = 0 if c.holds else c.conversion
        gap = row - (w["columns"] - 1) * pixel
        last = first + (w["rows"] - 1) * row + (w["columns"] - 1) * pixel
        soon = first - begin < to_first + settle or first - self.changed[c.lane] < settle or first < self.converting[c.lane]
        if w["columns"] > 1:
            soon = soon or pixel < max(to_pixel + settle + busy, c.conversion)
        if w["rows"] > 1:
            soon = soon or gap < max(to_row + settle + busy, c.conversion)
        if soon or converted - last < c.conversion or end < converted:
            self.fault(4, first, f"{c.name} is sampled before its lane has settled")
        if c.switches is not None and first - c.pattern_at < ns(c.switches.get("pattern_settle", "0s")):
            self.fault(4, first, f"{c.name} is sampled before its joined pixels follow the light")
        self.converting[c.lane] = max(self.converting[c.lane], last + c.conversion)
        self.changed[c.lane] = max(self.changed[c.lane], last + busy)

    def seen(self, r, c, number, shift):
        w, job, rows = r["window"], self.record["job"], self.record["seen"].setdefault(number, [])
        first = num(r, "first_sample_ns") + shift
        last = first + (w["rows"] - 1) * num(r, "row_interval_ns") + (w["columns"] - 1) * num(r, "pixel_interval_ns")
        light, hold = first, 0
        if c.memory is not None and c.loaded_at is not None:
            light, hold = c.loaded_at, last - c.loaded_at
        self.record["light"][number] = min(light, self.record["light"].get(number, light))
        if 0 < num(job, "max_hold_ns") < hold:
            self.fault(7, last, f"{c.name} is held for {hold} ns")
        rows.extend(range(r.get("first_row", 0), r.get("first_row", 0) + w["rows"]))
        frames = job.get("frames", [])
        if number >= len(frames) or not part_of(r, c, frames[number]):
            self.fault(9, first, f"a readout is not of frame {number} of {self.record['who']}")


def part_of(r, c, frame):
    """Whether a readout is of some rows of a frame."""
    w, whole = r["window"], frame["window"]
    row = whole.get("row", 0) + r.get("first_row", 0) * whole["row_step"]
    return (
        frame["chip"] == c.name
        and w.get("row", 0) == row
        and all(w.get(k, 0) == whole.get(k, 0) for k in ("column", "columns", "row_step", "column_step"))
    )


def check(plan):
    """The rules that a plan breaks: a list of (rule, time in nanoseconds, what)."""
    return Checker(plan.get("operations") or plan).run()


def main(files):
    failed = False
    for name in files:
        with sys.stdin if name == "-" else open(name, encoding="utf-8") as f:
            broken = check(json.load(f))
        failed = failed or bool(broken)
        rules = " ".join(str(r) for r in sorted({r for r, _, _ in broken}))
        print(f"{name}: " + (f"breaks rules {rules}; first {broken[0]}" if broken else "keeps all rules"))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
