#include "selftest.h"

#include "core.h"
#include "link.h"
#include "packet.h"
#include "pins.h"
#include "readings.h"

enum { PULSE_US = 50, CHANGES = 6 };

/* A change of a signal's level, of those that a step makes. */
struct change {
  uint64_t at;
  uint8_t signal, level;
};

static struct {
  bool running;
  uint8_t armed;       /* the first signal that is not armed yet */
  uint64_t armed_from; /* when its step begins */
  uint8_t heard;       /* the signal whose edges are awaited */
  uint64_t heard_from;
  unsigned change;     /* of its step, the next */
  unsigned waiting;    /* events that are armed and not over */
  uint64_t begins, end;
  struct wire_tested said;
} test;

static bool skipped; /* by an operator, in this session */

static uint64_t pulse(void) {
  uint64_t n = (uint64_t)PULSE_US * 1000 / board_facts()->tick_ns;
  return n < 8 ? 8 : n;
}

/* From the beginning of a step to that of the next one. */
static uint64_t apart(void) { return 4 * pulse(); }

/* What tells this build with these pins from others; never 0. */
static uint32_t stamp(void) {
  uint8_t b[sizeof board_facts()->build + 4];
  memcpy(b, board_facts()->build, sizeof board_facts()->build);
  wire_put_u32(b + sizeof board_facts()->build, pins_digest());
  uint32_t n = packet_crc(b, sizeof b);
  return n ? n : 1;
}

void selftest_greeted(void) {
  skipped = false;
  selftest_stop();
}

static bool passed(void) { return board_kept() == stamp(); }

bool selftest_allows(void) { return !board_facts()->real || skipped || passed(); }

static void tell(void) {
  test.said.required = board_facts()->real;
  wire_tested_put(link_out, &test.said);
  link_send(WIRE_TYPE_TESTED, WIRE_TESTED_SIZE);
}

/* The next signal from one on that is wired to an input; WIRE_SIGNALS where none is. */
static uint8_t wired(uint8_t signal) {
  const uint8_t *loops = pins_loops();
  while (signal < WIRE_SIGNALS && loops[signal] == WIRE_NO_PIN) signal++;
  return signal;
}

static bool writes(uint8_t signal) { return signal >= WIRE_SIGNAL_NUMBER && signal <= WIRE_SIGNAL_WRITE; }

/* Arms the events of a step; false where one could not be in time. */
static bool arm(uint8_t s, uint64_t at) {
  uint64_t w = pulse();
  struct wire_pin_event a = {.at = at, .width = w}, b;
  unsigned bit;
  if (s < WIRE_SIGNAL_STROBE + 1) {
    a.kind = WIRE_PIN_SELECT;
    a.word = (uint64_t)1 << s;
  } else if (s < WIRE_SIGNAL_NUMBER) {
    a.kind = WIRE_PIN_STROBE;
    a.which = (uint8_t)(s - WIRE_SIGNAL_STROBE);
  } else if (writes(s)) {
    a.kind = WIRE_PIN_WRITE;
    if (s < WIRE_SIGNAL_VALUE) a.which = (uint8_t)(1u << (s - WIRE_SIGNAL_NUMBER));
    else if (s < WIRE_SIGNAL_WRITE) a.value = (uint16_t)(1u << (s - WIRE_SIGNAL_VALUE));
  } else if (s < WIRE_SIGNAL_CLOCK) {
    bit = s < WIRE_SIGNAL_COLUMN ? s - WIRE_SIGNAL_ROW : s - WIRE_SIGNAL_COLUMN;
    a.kind = s < WIRE_SIGNAL_COLUMN ? WIRE_PIN_ROW : WIRE_PIN_COLUMN;
    a.value = (uint16_t)(1u << bit);
  } else {
    a.kind = WIRE_PIN_CLOCK;
    a.count = 1;
  }
  if (!board_arm(&a)) return false;
  test.waiting++;
  if (a.kind == WIRE_PIN_STROBE || a.kind == WIRE_PIN_CLOCK) return true; /* which end by themselves */
  b = (struct wire_pin_event){.kind = a.kind, .width = w, .at = at + (writes(s) ? 2 * w : w)};
  if (!board_arm(&b)) return false;
  test.waiting++;
  return true;
}

/* The levels that a step changes, in the order of their times; returns how many. */
static unsigned changes(uint8_t s, uint64_t at, struct change *c) {
  uint64_t w = pulse();
  unsigned n = 0;
  if (!writes(s)) {
    c[n++] = (struct change){at, s, 1};
    c[n++] = (struct change){at + (s == WIRE_SIGNAL_CLOCK ? w / 2 : w), s, 0};
    return n;
  }
  for (unsigned k = 0; k < 2; k++, at += 2 * w) {
    if (s != WIRE_SIGNAL_WRITE) c[n++] = (struct change){at, s, k == 0};
    c[n++] = (struct change){at + w / 4, WIRE_SIGNAL_WRITE, 1};
    c[n++] = (struct change){at + 3 * (w / 4), WIRE_SIGNAL_WRITE, 0};
  }
  return n;
}

/* The next edge that is to be measured; false where none is left. An input is high while any output that is wired to it
 * is, and nothing is active but what the step drives. */
static bool awaited(struct board_edge *e, uint8_t *signal) {
  const uint8_t *loops = pins_loops();
  struct change c[CHANGES];
  for (; test.heard < WIRE_SIGNALS; test.heard = wired((uint8_t)(test.heard + 1)), test.heard_from += apart(), test.change = 0) {
    unsigned n = changes(test.heard, test.heard_from, c);
    for (; test.change < n; test.change++) {
      const struct change *x = &c[test.change];
      if (loops[x->signal] == WIRE_NO_PIN) continue;
      bool other = false; /* keeps the input high */
      for (unsigned k = 0; k < test.change; k++)
        if (c[k].signal != x->signal && loops[c[k].signal] == loops[x->signal]) other = c[k].level;
      if (other) continue;
      *e = (struct board_edge){x->at, loops[x->signal], x->level};
      *signal = test.heard;
      return true;
    }
  }
  return false;
}

static void over(uint8_t code) {
  test.running = false;
  (void)board_release();
  struct board_done d;
  while (board_done(&d)) {
  }
  board_watch(NULL, 0);
  test.said.code = code;
  if (code == WIRE_TEST_PASSED) board_keep(stamp());
  tell();
}

static void failed(uint8_t code, const struct board_edge *planned, uint8_t signal, uint64_t measured) {
  test.said.signal = signal;
  test.said.input = planned->input;
  test.said.level = planned->level;
  test.said.planned = planned->at;
  test.said.measured = measured;
  if (passed()) board_keep(0); /* what fails now has not passed, whatever it did before */
  over(code);
}

/* Holds an edge against the one that is awaited; false: the test is over. */
static bool compare(const struct board_edge *e) {
  struct board_edge x;
  uint8_t signal = WIRE_SIGNALS;
  if (e->at < test.begins) return true; /* of what was there before */
  if (!awaited(&x, &signal)) {
    failed(WIRE_TEST_EXTRA, e, signal, e->at);
    return false;
  }
  uint64_t off = e->at > x.at ? e->at - x.at : x.at - e->at;
  bool same = e->input == x.input && e->level == x.level;
  if (same && off <= board_facts()->edge_error) {
    if (off > test.said.worst) test.said.worst = off;
    test.change++;
    return true;
  }
  if (same && off < pulse() / 8)
    failed(WIRE_TEST_TIME, &x, signal, e->at);
  else if (e->at < x.at || off < pulse() / 8)
    failed(WIRE_TEST_EXTRA, e, signal, e->at);
  else
    failed(WIRE_TEST_MISSING, &x, signal, e->at);
  return false;
}

/* Every select line and strobe that is there is to be wired; others may be. */
static bool all_wired(void) {
  const uint8_t *outputs = pins_outputs(), *loops = pins_loops();
  for (unsigned i = 0; i < WIRE_SIGNALS; i++) {
    test.said.outputs = (uint8_t)(test.said.outputs + (loops[i] != WIRE_NO_PIN));
    if (outputs[i] == WIRE_NO_PIN || loops[i] != WIRE_NO_PIN) continue;
    if (!test.said.unwired && i < WIRE_SIGNAL_NUMBER) test.said.signal = (uint8_t)i;
    test.said.unwired++;
  }
  for (unsigned i = 0; i < WIRE_SIGNAL_NUMBER; i++)
    if (outputs[i] != WIRE_NO_PIN && loops[i] == WIRE_NO_PIN) return false;
  return test.said.outputs > 0;
}

/* Makes every level that stays low, so that the first edges are those of the first step. */
static bool prepare(uint64_t at) {
  static const uint8_t kinds[] = {WIRE_PIN_SELECT, WIRE_PIN_WRITE, WIRE_PIN_ROW, WIRE_PIN_COLUMN};
  for (unsigned i = 0; i < sizeof kinds; i++, test.waiting++)
    if (!board_arm(&(struct wire_pin_event){.kind = kinds[i], .at = at, .width = pulse()})) return false;
  return true;
}

static void begin(void) {
  uint8_t inputs[WIRE_SIGNALS];
  size_t n = 0;
  memset(&test, 0, sizeof test);
  if (!all_wired()) {
    test.said.code = WIRE_TEST_UNWIRED;
    tell();
    return;
  }
  for (uint8_t s = wired(0); s < WIRE_SIGNALS; s = wired((uint8_t)(s + 1)))
    if (!n || !memchr(inputs, pins_loops()[s], n)) inputs[n++] = pins_loops()[s];
  board_watch(inputs, n);
  const struct board_facts *f = board_facts();
  uint64_t at = board_now() + 2 * (f->latency + CORE_ARMED * f->arm_cost);
  test.running = true;
  test.begins = at + 2 * apart();
  test.armed = test.heard = wired(0);
  test.armed_from = test.heard_from = at + 3 * apart();
  test.end = test.armed_from + (test.said.outputs + 1u) * apart();
  if (!prepare(at)) over(WIRE_TEST_LATE);
}

void selftest_take(const uint8_t *p) {
  struct wire_self_test m;
  wire_self_test_get(p, &m);
  if (m.what == WIRE_TEST_RUN) {
    begin();
    return;
  }
  if (m.what == WIRE_TEST_SKIP) skipped = true;
  memset(&test, 0, sizeof test);
  test.said.code = passed() ? WIRE_TEST_PASSED : WIRE_TEST_NEVER;
  tell();
}

bool selftest_poll(void) {
  struct board_done d;
  struct board_edge e, x;
  uint8_t signal;
  if (!test.running) return false;
  if (readings_hazard()) {
    over(WIRE_TEST_BROKEN);
    return false;
  }
  while (test.waiting && board_done(&d)) test.waiting--;
  for (; test.armed < WIRE_SIGNALS && test.waiting + 2 < CORE_ARMED && board_room() >= 2; test.armed_from += apart()) {
    if (!arm(test.armed, test.armed_from)) {
      over(WIRE_TEST_LATE);
      return false;
    }
    test.armed = wired((uint8_t)(test.armed + 1));
  }
  uint64_t until = board_edges_until();
  while (board_edge(&e))
    if (!compare(&e)) return false;
  if (until < test.end) return true;
  if (awaited(&x, &signal))
    failed(WIRE_TEST_MISSING, &x, signal, 0);
  else
    over(WIRE_TEST_PASSED);
  return false;
}

void selftest_stop(void) {
  if (!test.running) return;
  test.running = false;
  (void)board_release();
  struct board_done d;
  while (board_done(&d)) {
  }
  board_watch(NULL, 0);
}
