/* The core under random and mutated frames, on a board whose clock is a number, whose pins answer anything and whose
 * link is full now and then, and loses frames in both directions. What must hold whatever comes is checked: pin events
 * within the board's contract and in the order of their times, no line active in the safe state, at most one result for
 * a run, every message of the device once and in order. */
#include <stdio.h>
#include <stdlib.h>

#include "../../core/core.h"
#include "../../core/link.h"
#include "../../core/packet.h"

enum { QUEUE = 8, RESULTS = 1 << 22, SEEN = 1024 };

static uint64_t clock_ticks, state = 88172645463325252u;

static uint32_t rnd(uint32_t n) {
  state ^= state << 13;
  state ^= state >> 7;
  state ^= state << 17;
  return (uint32_t)(state >> 33) % n;
}

static void must(bool held, const char *what) {
  if (held) return;
  fprintf(stderr, "not held: %s\n", what);
  abort();
}

void link_was_full(void) { must(false, "there is room on the link for what the core says"); }

static const struct board_facts facts = {
    .tick_ns = 1, .boot = 7, .latency = 2000, .arm_cost = 20, .release = 10, .resend = 5000, .lines = 10, .lanes = 3};

const struct board_facts *board_facts(void) { return &facts; }

uint64_t board_now(void) { return clock_ticks += rnd(3); }

static struct wire_pin_event queue[QUEUE];
static bool cut[QUEUE]; /* short by a release */
static unsigned first, n;
static uint64_t last_at;
static uint64_t frames, events, results[WIRE_RESULT_FAULT + 1], sound;
static bool lost = true; /* the device is in its safe state */
static unsigned armed_since; /* the last release */
static struct wire_pin_event seen[SEEN]; /* trains that the core took, the last ones */
static unsigned seen_n;

static uint64_t end_of(const struct wire_pin_event *e) {
  if (e->kind == WIRE_PIN_SAMPLE) return e->at + (uint64_t)(e->count - 1) * e->interval;
  if (e->kind == WIRE_PIN_CLOCK) return e->at + (uint64_t)(e->count - 1) * e->width;
  return e->at;
}

static uint8_t hazard;

uint8_t board_hazard(void) { return hazard; }

unsigned board_readings(void) { return WIRE_MAX_READINGS; }

void board_reading(unsigned i, struct wire_reading *r) {
  must(i < WIRE_MAX_READINGS, "there are so many readings");
  r->kind = (uint8_t)(1 + i % 3);
  r->low = -10;
  r->high = 10;
  r->value = rnd(250000) ? (int32_t)rnd(21) - 10 : 11;
}

unsigned board_room(void) { return QUEUE - n; }

static uint64_t pinned;

bool board_pins(const struct wire_pins *p) {
  must(n == 0 && armed_since == 0, "pins are said while nothing is armed");
  if (!p) return true;
  for (unsigned i = 0; i < sizeof p->converters; i++)
    must(p->converters[i] == WIRE_NO_PIN || p->converters[i] < facts.lanes, "a converter is the board's");
  for (unsigned i = 0; i < sizeof p->outputs; i++)
    for (unsigned k = 0; k < i; k++)
      must(p->outputs[i] == WIRE_NO_PIN || p->outputs[i] != p->outputs[k], "no pin serves twice");
  pinned++;
  return rnd(10) != 0;
}

static uint64_t synced, marks, edges_told;
static uint64_t marking; /* the longest that a mark may be; 0: none was asked for */

bool board_sync(const struct wire_sync *s) {
  must(n == 0 && armed_since == 0, "what is for others is said while nothing is armed");
  for (unsigned i = 0; i < WIRE_MAX_INPUTS; i++)
    must(s->inputs[i] == WIRE_NO_PIN || s->inputs[i] != s->mark, "no pin is an input and the mark");
  synced++;
  return rnd(10) != 0;
}

bool board_arm(const struct wire_pin_event *e) {
  must(n < QUEUE, "there is room for what is armed");
  must((e->kind >= WIRE_PIN_SELECT && e->kind <= WIRE_PIN_SAMPLE) || e->kind == WIRE_PIN_MARK, "an event has a kind");
  if (e->kind == WIRE_PIN_MARK) must(marking && e->width > 0 && e->width <= marking, "a mark is asked for, and as long");
  marks += e->kind == WIRE_PIN_MARK;
  must(!(e->word >> facts.lines), "an event has the lines of the board");
  if (e->kind == WIRE_PIN_SAMPLE || e->kind == WIRE_PIN_CLOCK) must(e->count > 0, "a train is not empty");
  if (e->kind == WIRE_PIN_SAMPLE)
    must(e->count <= WIRE_MAX_TRAIN && e->lanes && !(e->lanes >> facts.lanes), "a train fits the board");
  must(board_begins(e) <= e->at, "an event begins before its time");
  if (board_begins(e) < clock_ticks) return false;
  must(e->at >= last_at, "events come in the order of their times");
  last_at = e->at;
  armed_since++;
  events++;
  cut[(first + n) % QUEUE] = false;
  queue[(first + n++) % QUEUE] = *e;
  return true;
}

static void take(struct board_done *d) {
  static uint16_t codes[WIRE_MAX_LANES * WIRE_MAX_TRAIN];
  struct wire_pin_event *e = &queue[first];
  if (e->kind == WIRE_PIN_SAMPLE) seen[seen_n++ % SEEN] = *e;
  codes[rnd(WIRE_MAX_LANES * WIRE_MAX_TRAIN)] = (uint16_t)rnd(1 << 16);
  *d = (struct board_done){e->at, !cut[first], codes};
  first = (first + 1) % QUEUE;
  n--;
}

bool board_done(struct board_done *d) {
  if (!n || end_of(&queue[first]) > clock_ticks) return false;
  take(d);
  return true;
}

uint64_t board_release(void) {
  unsigned begun = 0;
  while (begun < n && queue[(first + begun) % QUEUE].at <= clock_ticks) begun++;
  n = begun;
  for (unsigned i = 0; i < n; i++) { /* the last may be cut short */
    struct wire_pin_event *e = &queue[(first + i) % QUEUE];
    if (end_of(e) <= clock_ticks) continue;
    e->count = 1;
    cut[(first + i) % QUEUE] = true;
  }
  last_at = clock_ticks;
  armed_since = 0;
  return clock_ticks;
}

/* Inputs that see what their outputs show, where the core watches them, or anything. */
static uint8_t watched[WIRE_SIGNALS], watched_n;
static uint32_t passed;

void board_watch(const uint8_t *inputs, size_t k) {
  must(k <= sizeof watched, "there are no more inputs than signals");
  watched_n = (uint8_t)k;
  if (k) memcpy(watched, inputs, k);
}

bool board_edge(struct board_edge *e) {
  if (!watched_n || rnd(50)) return false;
  *e = (struct board_edge){clock_ticks - rnd(50), rnd(8) ? watched[rnd(watched_n)] : (uint8_t)rnd(256), (uint8_t)rnd(2)};
  return true;
}

uint64_t board_edges_until(void) { return clock_ticks; }

void board_keep(uint32_t number) {
  must(n == 0 || !number, "a self-test has passed when nothing is armed");
  passed = number;
}

uint32_t board_kept(void) { return rnd(10) ? passed : rnd(100); }

static bool full, slow; /* the link is, and is so for most of a session */
static uint8_t told[RESULTS]; /* results, by run */

static uint32_t session;
/* What the host knows of programs, by their places, and of the one that it sends. */
static struct known {
  unsigned slots;
  uint64_t duration;
} known[CORE_PROGRAMS];
static bool sending;
static unsigned sent_slots;
static uint64_t sent_duration, last_end;

size_t board_link_room(uint8_t peer) { return full || peer > 1 ? 0 : LINK_FRAME; }

static uint32_t got, taken;   /* numbers: of the device's last frame, and of the last one of the host that it has */
static uint64_t resent, lost_frames;

/* Whether codes are those of a train that is over. */
static bool is_over(const struct wire_data *d, uint16_t length) {
  for (unsigned i = 0; i < SEEN && i < seen_n; i++) {
    const struct wire_pin_event *e = &seen[i];
    if (d->at == e->at && e->lanes >> d->lane & 1 && length == WIRE_DATA_SIZE + 2 * e->count) return true;
  }
  return false;
}

static void hears(const struct wire_header *h, const uint8_t *p) {
  if (h->type == WIRE_TYPE_RESULT) {
    struct wire_result r;
    wire_result_get(p, &r);
    must(r.id < RESULTS && !told[r.id], "a run has one result");
    told[r.id] = 1;
    must(r.code <= WIRE_RESULT_FAULT, "a result has a code");
    results[r.code]++;
  }
  if (h->type == WIRE_TYPE_EDGE) {
    struct wire_edge e;
    wire_edge_get(p, &e);
    must(e.input < WIRE_MAX_INPUTS && e.level <= 1 && e.at <= clock_ticks, "an edge is of an input, and has happened");
    edges_told++;
  }
  if (h->type == WIRE_TYPE_DATA) {
    struct wire_data d;
    wire_data_get(p, &d);
    must(is_over(&d, h->length), "codes are those of an event that is over");
  }
  struct wire_reply reply;
  if (h->type == WIRE_TYPE_REPLY) {
    wire_reply_get(p, &reply);
    if (reply.to == WIRE_TYPE_PROGRAM && reply.code == WIRE_REPLY_OK && sending) {
      sound++;
      known[reply.index] = (struct known){sent_slots, sent_duration};
      sending = false;
    }
  }
  lost = lost || h->type == WIRE_TYPE_SAFE;
  if (h->type == WIRE_TYPE_SAFE) must(armed_since == 0 && n == 0, "nothing is armed in the safe state");
}

void board_send(uint8_t peer, const uint8_t *frame, size_t size) {
  struct wire_header h;
  must(!full && peer <= 1, "the link has room");
  must(size >= WIRE_HEADER_SIZE && size <= LINK_FRAME, "a frame has a possible size");
  wire_header_get(frame, &h);
  must(h.length == size - WIRE_HEADER_SIZE && h.boot == facts.boot, "a frame has a right header");
  frames++;
  if (h.session != session) return;
  if (taken - h.ack > UINT32_MAX / 2) taken = h.ack;
  if (h.type >= WIRE_TYPE_HELLO) return;
  must(h.seq - got - 1 < WIRE_MAX_WINDOW || got - h.seq < WIRE_MAX_WINDOW, "a frame is within the window");
  if (h.seq != got + 1) {
    resent += got - h.seq < WIRE_MAX_WINDOW;
    return; /* it comes twice, or after one that was lost */
  }
  if (!rnd(20)) {
    lost_frames++;
    return;
  }
  got++;
  hears(&h, frame + WIRE_HEADER_SIZE);
}

/* Frames. */

static uint8_t frame[WIRE_HEADER_SIZE + WIRE_MAX_PAYLOAD];
static uint8_t *const body = frame + WIRE_HEADER_SIZE;
static uint32_t seq, ids;
static uint32_t hashes; /* of the programs that were sent */

/* Frames as they were sent, for when one was lost. */
static struct {
  size_t n;
  uint8_t frame[LINK_FRAME];
} kept[CORE_WINDOW];

static void hand_over(const uint8_t *frame_, size_t size) {
  uint8_t *copy = malloc(size ? size : 1); /* of its own, so that the sanitizer sees what is read behind it */
  memcpy(copy, frame_, size);
  core_frame(0, copy, size);
  free(copy);
}

/* Sends a frame again that was sent before. */
static void again(uint32_t number) {
  wire_put_u32(kept[number % CORE_WINDOW].frame + WIRE_HEADER_SIZE - 4, got);
  hand_over(kept[number % CORE_WINDOW].frame, kept[number % CORE_WINDOW].n);
}

static void acknowledge(void) {
  uint8_t b[WIRE_HEADER_SIZE + WIRE_ACK_SIZE];
  struct wire_header h = {WIRE_TYPE_ACK, WIRE_MAJOR, WIRE_ACK_SIZE, session, facts.boot, 0, got};
  wire_header_put(b, &h);
  wire_put_u64(b + WIRE_HEADER_SIZE, rnd(4) ? 0 : rnd(1 << 20));
  hand_over(b, sizeof b);
}

static void hello(void);

/* Waits until the device takes another frame. */
static void wait_for_room(void) {
  for (int tries = 0; seq - taken >= CORE_WINDOW; tries++) {
    if (tries > 200) { /* it is in its safe state */
      hello();
      return;
    }
    full = false;
    clock_ticks += 100;
    for (uint32_t k = taken + 1; k != seq + 1; k++)
      if (rnd(3)) again(k);
    acknowledge();
    core_poll();
  }
}

static void feed(uint8_t type, size_t size) {
  if (size > WIRE_MAX_PAYLOAD) size = WIRE_MAX_PAYLOAD;
  bool numbered = type < WIRE_TYPE_HELLO;
  static uint8_t payload[WIRE_MAX_PAYLOAD];
  memcpy(payload, body, size); /* waiting may send something else */
  if (numbered) wait_for_room();
  memcpy(body, payload, size);
  struct wire_header h = {type, WIRE_MAJOR, (uint16_t)size, session, facts.boot, numbered ? ++seq : 0, got};
  wire_header_put(frame, &h);
  size += WIRE_HEADER_SIZE;
  if (!rnd(200)) {
    uint32_t at = WIRE_HEADER_SIZE + rnd((uint32_t)size);
    bool number = type == WIRE_TYPE_SUBMIT && at < WIRE_HEADER_SIZE + 4;
    if (!number && at < size) frame[at] ^= (uint8_t)(1u << rnd(8)); /* numbers of runs are each used once */
  }
  if (numbered) {
    kept[seq % CORE_WINDOW].n = size;
    memcpy(kept[seq % CORE_WINDOW].frame, frame, size);
    if (!rnd(30)) return; /* it is lost */
    if (!rnd(30)) again(seq - rnd(seq < CORE_WINDOW ? seq : CORE_WINDOW));
  }
  hand_over(frame, size);
  if (!rnd(100)) { /* and once more, spoiled in any way but by its number */
    uint32_t at = rnd(WIRE_HEADER_SIZE);
    if (at < 12 && at) frame[at] ^= (uint8_t)(1u << rnd(8));
    if (at >= 4 && at < 12) hand_over(frame, rnd(2) ? size : rnd((uint32_t)size + 1));
  }
  if (!rnd(20)) acknowledge();
}

/* Says which pins are wired to what, now and then with something wrong. */
static void pins(void) {
  struct wire_pins m;
  memset(&m, WIRE_NO_PIN, sizeof m);
  for (unsigned i = 0; i < 30; i++) m.outputs[i] = (uint8_t)(rnd(300) ? i : rnd(256));
  for (unsigned i = 0; i < 3; i++) m.converters[i] = (uint8_t)(rnd(100) ? i : rnd(6));
  for (unsigned i = 0; i < 30; i++) m.loops[i] = (uint8_t)(100 + rnd(4));
  if (!rnd(4)) m.loops[rnd(35)] = (uint8_t)rnd(256);
  wire_pins_put(body, &m);
  m.digest = rnd(20) ? packet_crc(body + 4, WIRE_PINS_SIZE - 4) : rnd(100);
  wire_put_u32(body, m.digest);
  feed(WIRE_TYPE_PINS, WIRE_PINS_SIZE);
}

/* Says what is for the rest of a robot, now and then with something wrong. */
static void sync(void) {
  struct wire_sync m = {.mark = (uint8_t)(rnd(5) ? 200 : rnd(256)), .width = rnd(20) ? 1 + rnd(5000) : (uint64_t)rnd(3) << 39};
  memset(m.inputs, WIRE_NO_PIN, sizeof m.inputs);
  for (unsigned i = 0; i < WIRE_MAX_INPUTS; i++) {
    if (rnd(2)) m.inputs[i] = (uint8_t)(rnd(20) ? 210 + i : rnd(256));
    m.edges[i] = (uint8_t)rnd(rnd(10) ? 4 : 256);
  }
  wire_sync_put(body, &m);
  wire_put_u32(body, rnd(20) ? packet_crc(body + 4, WIRE_SYNC_SIZE - 4) : rnd(100));
  if (m.mark != WIRE_NO_PIN && m.width > marking) marking = m.width;
  feed(WIRE_TYPE_SYNC, WIRE_SYNC_SIZE);
}

static void hello(void) {
  session = rnd(1 << 30) + 1;
  lost = false;
  seq = got = taken = 0;
  slow = !rnd(4);
  struct wire_hello m = {(uint16_t)(rnd(20) ? WIRE_MAJOR : rnd(4)), WIRE_MINOR, (uint16_t)(1 + rnd(100)),
                         (uint8_t)rnd(2), 1 + rnd(2), {'f'}};
  wire_hello_put(body, &m);
  feed(WIRE_TYPE_HELLO, WIRE_HELLO_SIZE);
  if (rnd(3)) pins();
  if (rnd(3)) sync();
  if (!rnd(3)) {
    body[0] = (uint8_t)rnd(3);
    feed(WIRE_TYPE_SELF_TEST, WIRE_SELF_TEST_SIZE);
    for (unsigned i = rnd(400); i; i--) {
      clock_ticks += rnd(3000);
      if (!rnd(60)) full = rnd(2);
      if (!rnd(300)) hazard = WIRE_SAFE_STOP;
      core_poll();
      must(!hazard || (armed_since == 0 && n == 0), "nothing is armed while the stop input is active");
    }
    full = false;
    hazard = 0;
  }
  wire_config_put(body, &(struct wire_config){rnd(4) ? UINT64_MAX - rnd(2) : rnd(10) ? 20000 + rnd(100000) : 0, 10, (uint8_t)(rnd(10) ? 3 : rnd(5))});
  feed(WIRE_TYPE_CONFIG, WIRE_CONFIG_SIZE);
}

static uint8_t slot(unsigned slots) { return (uint8_t)(slots && !rnd(3) ? 1 + rnd(slots) : 0); }

static size_t scan(uint8_t *p, unsigned slots, uint64_t *duration) {
  struct wire_scan s = {.kind = WIRE_OP_SCAN, .flags = (uint8_t)rnd(4), .row_slot = slot(slots),
                        .column_slot = slot(slots), .lanes = (uint16_t)(1 + rnd(7))};
  s.lattice_rows = (uint16_t)(1 + rnd(8));
  s.lattice_columns = (uint16_t)(1 + rnd(rnd(4) ? 8 : 300));
  s.rows = (uint16_t)(1 + rnd(s.lattice_rows));
  s.columns = (uint16_t)(1 + rnd(s.lattice_columns));
  s.row_step = (uint16_t)(1 + rnd(2));
  s.column_step = (uint16_t)(1 + rnd(2));
  s.step = 1 + rnd(50);
  s.row_time = rnd(50);
  s.settle = rnd(200);
  s.lead = s.column_step * s.step + s.settle;
  s.interval = s.lead + rnd(100);
  s.row_lead = (uint64_t)s.row_step * s.lattice_columns * s.step + s.row_step * s.row_time + s.step + s.settle;
  s.row_interval = s.row_lead + (uint64_t)(s.columns - 1) * s.interval;
  s.conversion = rnd(100);
  s.duration = *duration = 8 * s.row_interval + 10000 + (uint64_t)s.lattice_rows * s.lattice_columns * s.step;
  if (!rnd(8)) { /* something impossible, perhaps */
    uint8_t raw[WIRE_SCAN_SIZE];
    wire_scan_put(raw, &s);
    for (unsigned k = 1 + rnd(8); k; k--) raw[1 + rnd(WIRE_SCAN_SIZE - 1)] = (uint8_t)(rnd(2) ? 0xff : rnd(256));
    memcpy(p, raw, sizeof raw);
    *duration = wire_get_u64(raw + WIRE_SCAN_SIZE - 8);
    return WIRE_SCAN_SIZE;
  }
  wire_scan_put(p, &s);
  return WIRE_SCAN_SIZE;
}

static size_t op(uint8_t *p, unsigned slots, uint64_t *duration) {
  *duration = 100 + rnd(3000);
  switch (rnd(6)) {
  case 0:
    wire_select_put(p, &(struct wire_select){WIRE_OP_SELECT, rnd(rnd(20) ? 1 << 10 : 1 << 11), rnd(110), *duration});
    return WIRE_SELECT_SIZE;
  case 1:
    wire_write_put(p, &(struct wire_write){WIRE_OP_WRITE, (uint8_t)rnd(9), slot(slots), (uint16_t)rnd(256), *duration});
    return WIRE_WRITE_SIZE;
  case 2:
    wire_strobe_put(p, &(struct wire_strobe){WIRE_OP_STROBE, (uint8_t)(1 + rnd(5)), slot(slots), rnd(60), rnd(60),
                                             *duration});
    return WIRE_STROBE_SIZE;
  case 3:
    wire_wait_put(p, &(struct wire_wait){WIRE_OP_WAIT, *duration});
    return WIRE_WAIT_SIZE;
  default:
    return scan(p, slots, duration);
  }
}

static void program(void) {
  static uint8_t code[8192];
  unsigned slots = rnd(3), ops = 1 + rnd(rnd(3) ? 4 : 30);
  size_t size = WIRE_HEAD_SIZE;
  for (unsigned i = 0; i < slots; i++, size += WIRE_SLOT_SIZE)
    wire_slot_put(code + size, &(struct wire_slot){(int32_t)rnd(100), 100 + (int32_t)rnd(3)});
  uint64_t sum = 0, duration;
  for (unsigned i = 0; i < ops; i++) {
    size += op(code + size, slots, &duration);
    sum += duration;
  }
  wire_head_put(code, &(struct wire_head){(uint16_t)ops, (uint16_t)slots, rnd(20) ? sum : rnd(1000)});
  struct wire_program m = {.length = (uint32_t)(rnd(40) ? size : rnd(20000))};
  wire_put_u32(m.hash, rnd(20) ? ++hashes : rnd(hashes + 1));
  sending = true;
  sent_slots = slots;
  sent_duration = sum;
  for (size_t at = 0; at < size;) {
    size_t part = size - at < 900 ? size - at : 900;
    m.offset = (uint32_t)(rnd(60) ? at : rnd(2000));
    wire_program_put(body, &m);
    memcpy(body + WIRE_PROGRAM_SIZE, code + at, part);
    feed(WIRE_TYPE_PROGRAM, WIRE_PROGRAM_SIZE + part);
    at += part;
  }
}

static void submit(void) {
  uint32_t index = rnd(rnd(20) ? 12 : 70);
  unsigned slots = index < CORE_PROGRAMS && rnd(30) ? known[index].slots : rnd(4);
  uint64_t start = clock_ticks + (rnd(10) ? 3300 : 0) + rnd(2000);
  if (start < last_end && rnd(20)) start = last_end;
  if (index < CORE_PROGRAMS) last_end = start + known[index].duration;
  if (last_end > clock_ticks + 1000000) last_end = 0;
  struct wire_submit m = {.id = ++ids, .taken = ids ? rnd(ids) : 0, .start = start, .index = (uint16_t)index,
                          .flags = (uint8_t)rnd(4), .slots = (uint8_t)slots};
  if (rnd(30)) m.taken = ids - 1;
  if (!rnd(50)) m.start = (uint64_t)rnd(1 << 30) << 34;
  wire_submit_put(body, &m);
  for (unsigned i = 0; i < slots; i++) wire_put_i32(body + WIRE_SUBMIT_SIZE + 4 * i, 100 - (int32_t)(rnd(20) ? 0 : rnd(99)));
  feed(WIRE_TYPE_SUBMIT, WIRE_SUBMIT_SIZE + 4u * slots);
}

static void anything(void) {
  size_t size = rnd(40);
  for (size_t i = 0; i < size; i++) body[i] = (uint8_t)rnd(256);
  /* No run of an unknown number: whether it has one result is counted by number. */
  uint8_t type = (uint8_t)(rnd(2) ? rnd(12) : 126 + rnd(8));
  feed(type == WIRE_TYPE_SUBMIT ? WIRE_TYPE_ALIVE : type, size);
}

/* A stop, most often with a number above those before, and now and then without room on the link. What is armed then ends
 * at once, and nothing is armed until the release has come. */
static uint32_t stops = 100;

static void stop(void) {
  if (rnd(4)) stops++;
  wire_stop_put(body, &(struct wire_stop){rnd(10) ? stops : rnd(200)});
  feed(WIRE_TYPE_STOP, WIRE_STOP_SIZE);
}

int main(int argc, char **argv) {
  long inputs = argc > 1 ? atol(argv[1]) : 100000;
  if (argc > 2) state ^= (uint64_t)atol(argv[2]) * 0x9E3779B97F4A7C15u;
  core_begin();
  for (long i = 0; i < inputs; i++) {
    if (lost && !rnd(3)) hello();
    must(ids < RESULTS - 1, "there are few enough inputs");
    switch (rnd(24)) {
    case 0:
      if (!rnd(10)) hello();
      break;
    case 1: case 2: case 3:
      program();
      break;
    case 4:
      wire_drop_put(body, &(struct wire_drop){(uint16_t)rnd(66)});
      feed(WIRE_TYPE_DROP, WIRE_DROP_SIZE);
      break;
    case 5:
      if (rnd(20)) break;
      wire_cancel_put(body, &(struct wire_cancel){clock_ticks + rnd(20000)});
      feed(WIRE_TYPE_CANCEL, WIRE_CANCEL_SIZE);
      break;
    case 6:
      if (rnd(20)) break;
      if (rnd(2)) stop();
      if (rnd(2)) submit(); /* which the host has sent before it */
      wire_release_put(body, &(struct wire_release){rnd(4) ? stops : rnd(100)});
      feed(WIRE_TYPE_RELEASE, WIRE_RELEASE_SIZE);
      break;
    case 7:
      if (!rnd(4)) anything();
      if (!rnd(20)) pins(); /* which comes too late */
      if (!rnd(20)) sync();
      if (!rnd(20)) feed(WIRE_TYPE_SELF_TEST, WIRE_SELF_TEST_SIZE);
      break;
    case 8:
      if (rnd(60)) break;
      core_link_reset((uint8_t)rnd(3));
      lost = true;
      break;
    case 9:
      full = rnd(4) < (slow ? 3 : 1);
      hazard = rnd(40) ? 0 : (uint8_t)(WIRE_SAFE_STOP + rnd(2));
      break;
    case 10: case 11: case 12: case 13: case 14: case 15:
      submit();
      break;
    default:
      for (uint32_t k = rnd(40); k; k--) { /* time passes, now and then too fast for the core */
        clock_ticks += rnd(rnd(200) ? 800 : 20000);
        core_poll();
      }
    }
    if (!rnd(3)) acknowledge();
    core_poll();
    must(!hazard || (armed_since == 0 && n == 0), "nothing is armed while the stop input is active");
  }
  printf("%ld inputs, %llu frames, %llu programs, %llu pin events, runs", inputs, (unsigned long long)frames,
         (unsigned long long)sound, (unsigned long long)events);
  for (unsigned i = 0; i <= WIRE_RESULT_FAULT; i++) printf(" %llu", (unsigned long long)results[i]);
  printf(", %llu frames lost and %llu come twice, pins %llu times, for others %llu times, marks %llu, edges %llu\n",
         (unsigned long long)lost_frames, (unsigned long long)resent, (unsigned long long)pinned,
         (unsigned long long)synced, (unsigned long long)marks, (unsigned long long)edges_told);
  return 0;
}
