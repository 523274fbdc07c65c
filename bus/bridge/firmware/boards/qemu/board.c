/* A Cortex-M4 under QEMU, machine mps2-an386. Its counter of 25 MHz is the clock. It has no pins that can be seen from
 * outside, so that hardware which drives pins at their times is modelled, as on the host build: what was armed in time
 * happens at its time. Pins and link go over named pipes by semihosting, which takes no time of the board: it stands
 * still until the other side, the emulator's world, has answered. */
#include "../../core/core.h"
#include "../../core/link.h"

#define REGISTER(a) (*(volatile uint32_t *)(uintptr_t)(a))
#define PRESCALER REGISTER(0x4002801c)
#define COUNTER REGISTER(0x40028018)

enum { PORTS = 4 /* that the machine has, A to D */ };
enum { TICK_NS = 40, EVERY = 10000 /* ticks from one look at the link to the next */ };

static struct board_facts facts = {
    .tick_ns = TICK_NS,
    .build = "qemu",
    .latency = 50000, /* 2 ms; from one look at the link to the next are 0.4 ms */
    .arm_cost = 450, /* 18 us; measured, 11 us to arm one at most, and 6 us to tell what is no train */
    .release = 250,
    .edge_error = 1,
    .lines = 64,
    .lanes = WIRE_MAX_LANES,
    .emulated = true,
};

const struct board_facts *board_facts(void) { return &facts; }

uint64_t board_now(void) { /* is asked more often than the counter begins again, after 171 s */
  static uint64_t ticks;
  static uint32_t last;
  int32_t passed = (int32_t)(COUNTER - last);
  if (passed > 0) { /* it was seen to step back by a tick */
    ticks += (uint32_t)passed;
    last += (uint32_t)passed;
  }
  return ticks;
}

/* Semihosting. */

enum { SYS_OPEN = 1, SYS_WRITE = 5, SYS_READ = 6, SYS_EXIT = 0x18, READ_BINARY = 1, WRITE_BINARY = 5 };

static uint32_t semihost(uint32_t op, const void *arg) {
  register uint32_t r0 __asm("r0") = op;
  register const void *r1 __asm("r1") = arg;
  __asm volatile("bkpt 0xab" : "+r"(r0) : "r"(r1) : "memory");
  return r0;
}

static _Noreturn void power_off(void) {
  for (;;) semihost(SYS_EXIT, (const void *)0x20026); /* the application has ended */
}

static uint32_t open_pipe(const char *name, uint32_t mode) {
  uint32_t arg[3] = {(uint32_t)(uintptr_t)name, mode, (uint32_t)strlen(name)};
  uint32_t fd = semihost(SYS_OPEN, arg);
  if (fd == UINT32_MAX) power_off();
  return fd;
}

static void put(uint32_t fd, const uint8_t *p, size_t n) {
  while (n) {
    uint32_t arg[3] = {fd, (uint32_t)(uintptr_t)p, (uint32_t)n};
    uint32_t left = semihost(SYS_WRITE, arg);
    if (left == n || left > n) power_off();
    p += n - left;
    n = left;
  }
}

static void get(uint32_t fd, uint8_t *p, size_t n) {
  while (n) {
    uint32_t arg[3] = {fd, (uint32_t)(uintptr_t)p, (uint32_t)n};
    uint32_t left = semihost(SYS_READ, arg);
    if (left == n || left > n) power_off(); /* the world has ended */
    p += n - left;
    n = left;
  }
}

/* The pins. */

static uint32_t pins_out, pins_in;

struct pending {
  struct wire_pin_event e;
  uint64_t end;
  bool whole, told;
};

static struct pending queue[CORE_ARMED]; /* a ring */
static unsigned first, n;

static struct pending *at(unsigned i) { return &queue[(first + i) % CORE_ARMED]; }

uint8_t board_hazard(void) { return 0; } /* this board has nothing of the kind */

unsigned board_readings(void) { return 0; }

void board_reading(unsigned i, struct wire_reading *r) { (void)i, (void)r; }

unsigned board_room(void) { return CORE_ARMED - n; }

bool board_arm(const struct wire_pin_event *e) {
  if (board_begins(e) < board_now()) return false;
  struct pending *p = at(n++);
  *p = (struct pending){.e = *e, .end = e->at, .whole = true};
  if (e->kind == WIRE_PIN_SAMPLE) p->end += (uint64_t)(e->count - 1) * e->interval;
  if (e->kind == WIRE_PIN_CLOCK) p->end += (uint64_t)(e->count - 1) * e->width;
  return true;
}

static void tell(const struct wire_pin_event *e) {
  uint8_t b[WIRE_PIN_EVENT_SIZE];
  wire_pin_event_put(b, e);
  put(pins_out, b, sizeof b);
}

bool board_pins(const struct wire_pins *pins) {
  struct wire_pin_event e = {.kind = WIRE_PIN_ROUTE, .at = board_now(), .which = WIRE_ROUTE_BEGIN};
  if (pins)
    for (unsigned i = 0; i < sizeof pins->outputs; i++)
      if (pins->outputs[i] != WIRE_NO_PIN && pins->outputs[i] / 32 >= PORTS) return false;
  tell(&e);
  for (unsigned i = 0; pins && i < sizeof pins->outputs; i++) {
    e.which = (uint8_t)i;
    e.value = pins->outputs[i];
    if (e.value != WIRE_NO_PIN) tell(&e);
  }
  for (unsigned i = 0; pins && i < sizeof pins->converters; i++) {
    e.which = (uint8_t)(WIRE_ROUTE_LANE + i);
    e.value = pins->converters[i];
    if (e.value != WIRE_NO_PIN) tell(&e);
  }
  return true;
}

bool board_sync(const struct wire_sync *s) {
  for (unsigned i = 0; i < WIRE_MAX_INPUTS; i++)
    if (s->inputs[i] != WIRE_NO_PIN && s->inputs[i] / 32 >= PORTS) return false;
  if (s->mark == WIRE_NO_PIN) return true;
  if (s->mark / 32 >= PORTS) return false;
  tell(&(struct wire_pin_event){.kind = WIRE_PIN_ROUTE, .at = board_now(), .which = WIRE_SIGNAL_MARK, .value = s->mark});
  return true;
}

/* Edges at inputs are asked for with every look at the link. */
static bool watching;
static uint64_t edges_until;
static struct board_edge edges[WIRE_LOOK_EDGES];
static unsigned edges_first, edges_n;

static void look_at_inputs(void) {
  uint8_t b[WIRE_PIN_EDGE_SIZE];
  if (!watching || edges_n > 0) return;
  uint64_t now = board_now();
  if (n && at(0)->e.at <= now) now = at(0)->e.at - 1; /* it was not told yet */
  tell(&(struct wire_pin_event){.kind = WIRE_PIN_LOOK, .at = now});
  edges_first = 0;
  for (unsigned i = 0; i < WIRE_LOOK_EDGES; i++) {
    struct wire_pin_edge e;
    get(pins_in, b, sizeof b);
    wire_pin_edge_get(b, &e);
    if (e.input != WIRE_NO_PIN) edges[edges_n++] = (struct board_edge){e.at, e.input, e.level};
  }
  edges_until = edges_n < WIRE_LOOK_EDGES ? now : edges[edges_n - 1].at; /* there may be more */
}

bool board_edge(struct board_edge *e) {
  if (!edges_n) return false;
  *e = edges[edges_first++];
  edges_n--;
  return true;
}

uint64_t board_edges_until(void) { return edges_until; }

void board_watch(const uint8_t *inputs, size_t k) {
  tell(&(struct wire_pin_event){.kind = WIRE_PIN_WATCH, .at = board_now(), .which = WIRE_NO_PIN});
  for (size_t i = 0; i < k; i++) tell(&(struct wire_pin_event){.kind = WIRE_PIN_WATCH, .which = inputs[i]});
  watching = k > 0;
  edges_n = 0;
}

static uint32_t kept; /* until the machine ends: it has no other memory */

void board_keep(uint32_t number) { kept = number; }

uint32_t board_kept(void) { return kept; }

bool board_done(struct board_done *d) {
  static uint16_t codes[WIRE_MAX_LANES * WIRE_MAX_TRAIN];
  if (!n) return false;
  struct pending *p = at(0);
  if (p->whole && p->end > board_now()) return false;
  tell(&p->e);
  if (p->e.kind == WIRE_PIN_SAMPLE) {
    size_t k = 0;
    for (uint16_t m = p->e.lanes; m; m = (uint16_t)(m & (m - 1))) k += p->e.count;
    get(pins_in, (uint8_t *)codes, 2 * k); /* whose order of bytes is that of this processor */
  }
  *d = (struct board_done){p->e.at, p->whole, codes};
  first = (first + 1) % CORE_ARMED;
  n--;
  return true;
}

static uint64_t released; /* when; it is told behind what had begun before */
static bool release_told = true;

uint64_t board_release(void) {
  uint64_t now = board_now(); /* from now on every line is inactive, and nothing armed happens */
  unsigned begun = 0;
  while (begun < n && at(begun)->e.at <= now) {
    struct pending *p = at(begun++);
    if (p->end <= now) continue; /* it is cut short */
    uint64_t apart = p->e.kind == WIRE_PIN_SAMPLE ? p->e.interval : p->e.width;
    p->e.count = (uint16_t)((now - p->e.at) / apart + 1);
    p->whole = false;
  }
  n = begun;
  released = now;
  release_told = false;
  return now;
}

/* Tells of a release once what had begun before was told. */
static void tell_release(void) {
  if (release_told || n) return;
  release_told = true;
  tell(&(struct wire_pin_event){.kind = WIRE_PIN_RELEASE, .at = released});
}

/* The link: now and then what there is to send goes to the world, and what has come is fetched. */

enum { OUT_BYTES = 4096, PEERS = 2 };

static uint32_t link_out_fd, link_in_fd;
static uint8_t out[13 + OUT_BYTES]; /* behind the time: frames, each behind its peer and length */
static size_t out_n;
static uint8_t in[LINK_FRAME];

size_t board_link_room(uint8_t peer) {
  if (peer >= PEERS || out_n + 3 > OUT_BYTES) return 0;
  return OUT_BYTES - out_n - 3;
}

void board_send(uint8_t peer, const uint8_t *frame, size_t k) {
  uint8_t *p = out + 13 + out_n;
  p[0] = peer;
  wire_put_u16(p + 1, (uint16_t)k);
  memcpy(p + 3, frame, k);
  out_n += 3 + k;
}

static void look_at_link(void) {
  uint8_t head[3];
  wire_put_u64(out, board_now());
  out[8] = core_busy();
  wire_put_u32(out + 9, (uint32_t)out_n);
  put(link_out_fd, out, 13 + out_n);
  out_n = 0;
  for (;;) { /* frames, up to an empty one; of all bits a length of a peer who is gone */
    get(link_in_fd, head, sizeof head);
    uint16_t k = wire_get_u16(head + 1);
    if (!k) return;
    if (k == UINT16_MAX) {
      core_link_reset(head[0]);
      continue;
    }
    if (k > sizeof in) power_off();
    get(link_in_fd, in, k);
    core_frame(head[0], in, k);
  }
}

int main(void) {
  uint8_t b[WIRE_PIN_HELLO_SIZE];
  PRESCALER = 0;
  pins_out = open_pipe("pins.out", WRITE_BINARY);
  pins_in = open_pipe("pins.in", READ_BINARY);
  link_out_fd = open_pipe("link.out", WRITE_BINARY);
  link_in_fd = open_pipe("link.in", READ_BINARY);
  get(link_in_fd, b, 4);
  facts.boot = wire_get_u32(b);
  wire_pin_hello_put(b, &(struct wire_pin_hello){WIRE_MAJOR, TICK_NS});
  put(pins_out, b, sizeof b);
  core_begin();
  tell_release();
  uint64_t looked = board_now();
  for (;;) {
    if (board_now() - looked >= EVERY || out_n > OUT_BYTES / 2) {
      looked = board_now();
      look_at_inputs();
      look_at_link();
    }
    core_poll();
    tell_release();
  }
}
