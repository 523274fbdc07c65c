#include "runs.h"

#include "core.h"
#include "link.h"
#include "program.h"
#include "store.h"
#include "sync.h"

#define LATEST ((uint64_t)1 << 62) /* no run may start later: sums stay below 2^63 */

enum run_state { WAITING = 0, ARMING, ARMED };

struct run {
  uint32_t id;
  uint16_t program;
  uint8_t state;
  bool mark;
  uint64_t start, end;
  int64_t slack;
  int32_t values[WIRE_MAX_SLOTS];
};

/* What was armed: a pin event, or the mark of a run's end. */
struct armed {
  bool mark;
  uint8_t kind;
  uint16_t lanes, count;
  uint16_t op, row, column;
  bool begins;
  uint64_t at, offset;
};

static struct run runs[CORE_RUNS]; /* a ring: the first is under way */
static unsigned runs_first, runs_n;
static struct armed armed[CORE_ARMED]; /* a ring */
static unsigned armed_first, armed_n;

static struct program_walk arming; /* of the run that is armed, which is the arming_run-th of the ring */
static unsigned arming_run;
static struct program_event ahead; /* the next event of it */
static bool ahead_is;

static struct {
  const uint8_t *p;  /* the operation that is under way, or the next */
  uint16_t op, ops;
  uint64_t at;       /* when it begins by plan */
  bool begun;        /* anything of the run has */
  uint64_t times[WIRE_MAX_TIMES];
  uint16_t first, n; /* of times that are not told yet */
} course; /* of the first run */

static uint32_t barrier; /* who has not seen this result knows too little to be obeyed */
static bool barred;      /* there is one */
static bool held;        /* nothing is taken */

static void bar(uint32_t id) {
  if (!barred || link_before(barrier, id)) barrier = id;
  barred = true;
}

/* The queue of runs. */

static struct run *run_at(unsigned i) { return &runs[(runs_first + i) % CORE_RUNS]; }

static struct armed *armed_at(unsigned i) { return &armed[(armed_first + i) % CORE_ARMED]; }

/* Whether the link takes what one event makes, and the results of all runs beside it. */
static bool linked(void) { return link_room() >= CORE_LINK_RESERVE; }

static void tell(const struct run *r, uint8_t code, uint8_t cause, uint16_t ran, uint64_t end, uint64_t now) {
  struct wire_result m = {r->id, code, cause, ran, r->start, end, now, r->slack};
  wire_result_put(link_out, &m);
  link_send(WIRE_TYPE_RESULT, WIRE_RESULT_SIZE);
}

static void tell_times(const struct run *r) {
  if (!course.n) return;
  struct wire_times m = {r->id, course.first};
  wire_times_put(link_out, &m);
  for (unsigned i = 0; i < course.n; i++) wire_put_u64(link_out + WIRE_TIMES_SIZE + 8 * i, course.times[i]);
  link_send(WIRE_TYPE_TIMES, WIRE_TIMES_SIZE + 8u * course.n);
  course.first = (uint16_t)(course.first + course.n);
  course.n = 0;
}

static void begins_at(const struct run *r, uint64_t at) {
  if (course.n == WIRE_MAX_TIMES) tell_times(r);
  course.times[course.n++] = at;
}

static void course_begins(const struct run *r) {
  struct program_facts f;
  program_facts(store_program(r->program), &f);
  course.p = f.first;
  course.op = 0;
  course.ops = f.ops;
  course.at = r->start;
  course.begun = false;
  course.first = course.n = 0;
}

/* Follows the course of the first run up to an operation: those in between took no pin. */
static void course_to(const struct run *r, uint16_t op) {
  while (course.op < op) {
    if (!course.begun) begins_at(r, course.at);
    course.begun = false;
    uint64_t duration;
    course.p += program_op(course.p, &duration);
    course.at += duration;
    course.op++;
  }
}

/* Follows the course of the first run up to a time, for operations that have ended without a pin. */
static void course_until(const struct run *r, uint64_t at) {
  uint64_t duration;
  while (course.op < course.ops) {
    program_op(course.p, &duration);
    if (course.at + duration > at) return;
    course_to(r, (uint16_t)(course.op + 1));
  }
}

/* The first run of the ring is over. */
static void run_ends(uint8_t code, uint16_t ran, uint64_t end) {
  struct run *r = run_at(0);
  tell_times(r);
  tell(r, code, WIRE_CAUSE_NONE, ran, end, board_now());
  runs_first = (runs_first + 1) % CORE_RUNS;
  runs_n--;
  if (arming_run) arming_run--;
  if (runs_n) course_begins(run_at(0));
}

/* A run that was not begun is refused. What was submitted behind it by a host who does not know is recalled, too. */
static void run_refused(struct run *r, uint8_t code, uint8_t cause) {
  if (code != WIRE_RESULT_RECALLED) bar(r->id);
  tell(r, code, cause, 0, r->start, board_now());
}

#ifdef MUTANTS
unsigned core_mutant;

/* Ticks of a number of microseconds. */
static uint64_t us(uint64_t n) { return n * 1000 / board_facts()->tick_ns; }

/* Makes an event wrong. */
static void mutate(struct program_event *e) {
  struct wire_pin_event *p = &e->pin;
  bool row = p->kind == WIRE_PIN_SAMPLE && e->row == 1;
  if (core_mutant == MUTANT_ROW_TICK && row) p->at++;
  if (core_mutant == MUTANT_ROW_US && row) p->at += us(1);
  if (core_mutant == MUTANT_SELECT && p->kind == WIRE_PIN_SELECT && p->word) p->at += us(5);
  if (core_mutant == MUTANT_STROBE && p->kind == WIRE_PIN_STROBE) p->at += us(100);
  if (core_mutant == MUTANT_MARK && p->kind == WIRE_PIN_MARK) p->at += us(1);
  if (core_mutant == MUTANT_PATTERNS && p->kind == WIRE_PIN_WRITE && p->which <= 2) p->kind = 0;
}
#endif

/* Codes of samples to the host, lane by lane. */
static void tell_codes(const struct run *r, const struct armed *a, const struct board_done *d) {
  const uint16_t *codes = d->codes;
  for (uint8_t lane = 0; lane < WIRE_MAX_LANES; lane++) {
    if (!(a->lanes >> lane & 1)) continue;
    struct wire_data m = {r->id, a->op, a->row, a->column, lane, 0, d->at};
#ifdef MUTANTS
    if (core_mutant == MUTANT_LANES && (a->lanes & 3) == 3 && lane < 2) m.lane = (uint8_t)(1 - lane);
#endif
    wire_data_put(link_out, &m);
    for (unsigned i = 0; i < a->count; i++) wire_put_u16(link_out + WIRE_DATA_SIZE + 2 * i, codes[i]);
    link_send(WIRE_TYPE_DATA, WIRE_DATA_SIZE + 2u * a->count);
    codes += a->count;
  }
}

/* Takes what the board is through with by a time; one event or mark a call. */
static bool complete_one(uint64_t by) {
  if (!armed_n) return false;
  struct armed *a = armed_at(0);
  struct run *r = run_at(0);
  if (a->mark) {
    if (by < a->at) return false;
    course_to(r, course.ops);
    run_ends(WIRE_RESULT_WHOLE, course.ops, r->end);
  } else {
    struct board_done d;
    if (!board_done(&d)) return false;
    course_to(r, a->op);
    if (a->begins) begins_at(r, d.at - a->offset);
    course.begun = true;
    if (a->kind == WIRE_PIN_SAMPLE && d.whole && linked()) tell_codes(r, a, &d);
  }
  armed_first = (armed_first + 1) % CORE_ARMED;
  armed_n--;
  return true;
}

uint64_t runs_break_off(uint8_t code, bool told) {
#ifdef MUTANTS
  for (uint64_t until = board_now() + us(1000); core_mutant == MUTANT_RELEASE && board_now() < until;) {
  }
#endif
  uint64_t at = board_release();
  while (complete_one(at)) {
  }
  /* Of the first run, which is the only one that can have. While it waits, the course is of one that is over. */
  bool begun = runs_n && run_at(0)->state != WAITING && (course.begun || course.op > 0);
  armed_n = 0;
  ahead_is = false;
  arming_run = 0;
  for (unsigned i = 0; i < runs_n; i++) {
    struct run *r = run_at(i);
    bool late = i == 0 && code == WIRE_RESULT_UNDERRUN;
    if (i == 0 && (begun || late)) bar(r->id);
    if (!told) continue;
    if (i == 0 && begun) {
      course_until(r, at);
      tell_times(r);
      tell(r, code, WIRE_CAUSE_NONE, course.op, at, board_now());
    } else if (late) { /* nothing of it was driven yet */
      run_refused(r, WIRE_RESULT_LATE, WIRE_CAUSE_DEVICE);
    } else {
      run_refused(r, WIRE_RESULT_RECALLED, WIRE_CAUSE_NONE);
    }
  }
  runs_n = 0;
  return at;
}

/* Takes the next event of the walk. */
static void walk_on(void) {
  ahead_is = program_next(&arming, &ahead);
#ifdef MUTANTS
  if (ahead_is) mutate(&ahead);
#endif
}

/* Notes that the event ahead is armed. */
static void note_armed(void) {
  *armed_at(armed_n++) =
      (struct armed){false,     ahead.pin.kind, ahead.pin.lanes, ahead.pin.count, ahead.op,
                     ahead.row, ahead.column,   ahead.begins,    ahead.pin.at,    ahead.offset};
}

/* Arms one event of the run that is to be armed; false when there is nothing to arm now. */
static bool arm_one(void) {
  if (arming_run >= runs_n || armed_n + 1 >= CORE_ARMED) return false;
  struct run *r = run_at(arming_run);
  const struct board_facts *f = board_facts();
  if (r->state == WAITING) {
    uint64_t early = 2 * (f->latency + CORE_ARMED * f->arm_cost);
    if (r->start > board_now() + early || !board_room()) return false;
    program_begin(&arming, store_program(r->program), r->start, r->values, r->mark ? sync_mark() : 0);
    walk_on();
    r->state = ARMING;
    if (arming_run == 0) course_begins(r);
    if (ahead_is && !board_arm(&ahead.pin)) { /* nothing was driven */
      r->state = WAITING;
      ahead_is = false;
      run_refused(r, WIRE_RESULT_LATE, WIRE_CAUSE_DEVICE);
      for (unsigned i = arming_run + 1; i < runs_n; i++)
        run_refused(run_at(i), WIRE_RESULT_RECALLED, WIRE_CAUSE_NONE);
      runs_n = arming_run;
      return false;
    }
  } else if (ahead_is) {
    if (!board_room()) return false;
    if (!board_arm(&ahead.pin)) {
      /* Runs before this one are not to be broken off by it: their events are armed, and end by themselves. */
      if (arming_run > 0) return false;
      runs_break_off(WIRE_RESULT_UNDERRUN, true);
      return false;
    }
  }
  if (!ahead_is) {
    *armed_at(armed_n++) = (struct armed){.mark = true, .at = r->end};
    r->state = ARMED;
    arming_run++;
    return true;
  }
  note_armed();
#ifdef MUTANTS
  if (core_mutant == MUTANT_TWICE && ahead.pin.kind == WIRE_PIN_STROBE && board_room() && board_arm(&ahead.pin)) {
    ahead.begins = false;
    note_armed();
  }
#endif
  walk_on();
  return true;
}

bool runs_use(unsigned program) {
  for (unsigned i = 0; i < runs_n; i++)
    if (run_at(i)->program == program) return true;
  return false;
}

unsigned runs_count(void) { return runs_n; }

/* Whether the values of a run suit the slots of its program. */
static bool values_fit(const struct run *r, const struct program_facts *f) {
  for (unsigned i = 0; i < f->slots; i++) {
    struct wire_slot s;
    wire_slot_get(f->bounds + i * WIRE_SLOT_SIZE, &s);
    if (r->values[i] < s.low || r->values[i] > s.high) return false;
  }
  return true;
}

/* A run that cannot be taken. What was submitted behind it by a host who does not know is recalled, as behind others. */
static void run_unreadable(const struct wire_submit *m, uint8_t code, uint32_t seq) {
  bar(m->id);
  core_reply(WIRE_TYPE_SUBMIT, seq, code, m->index, m->id);
}

void runs_submit(const uint8_t *p, size_t n, uint32_t seq) {
  struct wire_submit m;
  wire_submit_get(p, &m);
  struct program_facts f;
  uint64_t last = runs_n ? run_at(runs_n - 1)->end : 0;
  if (!store_program(m.index)) {
    run_unreadable(&m, WIRE_REPLY_UNKNOWN, seq);
    return;
  }
  program_facts(store_program(m.index), &f);
  struct run r = {.id = m.id, .program = m.index, .state = WAITING, .start = m.start};
  r.mark = m.flags & WIRE_SUBMIT_MARK;
  for (unsigned i = 0; i < m.slots && i < WIRE_MAX_SLOTS && n >= WIRE_SUBMIT_SIZE + 4 * (i + 1); i++)
    r.values[i] = wire_get_i32(p + WIRE_SUBMIT_SIZE + 4 * i);
  if (m.slots != f.slots || n != WIRE_SUBMIT_SIZE + 4u * f.slots || m.start > LATEST || m.start < last ||
      !values_fit(&r, &f)) {
    run_unreadable(&m, WIRE_REPLY_FORM, seq);
    return;
  }
  if (runs_n == CORE_RUNS) {
    run_unreadable(&m, WIRE_REPLY_FULL, seq);
    return;
  }
  const struct board_facts *b = board_facts();
  uint64_t ready = b->latency + CORE_ARMED * b->arm_cost;
  r.end = r.start + f.duration;
  r.slack = (int64_t)(m.start - board_now()) - (int64_t)ready;
  barred = barred && link_before(m.taken, barrier);
  if (barred || held)
    run_refused(&r, WIRE_RESULT_RECALLED, WIRE_CAUSE_NONE);
  else if (r.slack < 0)
    run_refused(&r, WIRE_RESULT_LATE, m.flags & WIRE_SUBMIT_LATE ? WIRE_CAUSE_HOST : WIRE_CAUSE_LINK);
  else
    runs[(runs_first + runs_n++) % CORE_RUNS] = r;
}

void runs_cancel(const uint8_t *p) {
  struct wire_cancel m;
  wire_cancel_get(p, &m);
  unsigned kept = runs_n;
  while (kept > 0 && run_at(kept - 1)->state == WAITING && run_at(kept - 1)->start > m.after) kept--;
  for (unsigned i = kept; i < runs_n; i++) run_refused(run_at(i), WIRE_RESULT_RECALLED, WIRE_CAUSE_NONE);
  runs_n = kept;
}

void runs_poll(void) {
  while (linked() && complete_one(board_now())) {
  }
  while (arm_one()) {
  }
}

void runs_greeted(void) { barred = held = false; }

void runs_hold(bool on) { held = on; }

void runs_begin(void) {
  runs_n = armed_n = 0;
  (void)board_release();
}
