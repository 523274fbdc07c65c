#include "core.h"

#include "program.h"

#define LATEST ((uint64_t)1 << 62) /* no run may start later: sums stay below 2^63 */

enum program_state { EMPTY = 0, LOADING, SOUND };

struct stored {
  uint8_t hash[16];
  uint32_t at, length, have; /* in the store */
  uint8_t state;
};

enum run_state { WAITING = 0, ARMING, ARMED };

struct run {
  uint32_t id;
  uint16_t program;
  uint8_t state;
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

enum session_state { SAFE = 0, GREETED, READY };

static uint8_t store[CORE_STORE];
static struct stored programs[CORE_PROGRAMS];

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

static uint8_t state, safe_why;
static uint32_t session, received_seq, sent_seq;
static uint64_t lease, heard;
static uint32_t barrier; /* who has not seen this result knows too little to be obeyed */
static bool barred;      /* there is one */

/* Whether a number comes before another: they begin again at 0 behind the highest. */
static bool before(uint32_t a, uint32_t b) { return a - b > UINT32_MAX / 2; }

static void bar(uint32_t id) {
  if (!barred || before(barrier, id)) barrier = id;
  barred = true;
}

/* Frames to the host. */

static uint8_t frame[WIRE_HEADER_SIZE + WIRE_MAX_PAYLOAD];
static uint8_t *const payload = frame + WIRE_HEADER_SIZE;

static void send_unnumbered(uint8_t type, size_t n, uint32_t seq) {
  struct wire_header h = {type, WIRE_MAJOR, (uint16_t)n, session, board_facts()->boot, seq, received_seq};
  wire_header_put(frame, &h);
  board_send(frame, WIRE_HEADER_SIZE + n);
}

static void send(uint8_t type, size_t n) { send_unnumbered(type, n, ++sent_seq); }

static void reply(uint8_t to, uint8_t code, unsigned index, uint32_t detail) {
  struct wire_reply r = {.to = to, .code = code, .index = (uint16_t)index, .detail = detail};
  if (index < CORE_PROGRAMS) memcpy(r.hash, programs[index].hash, sizeof r.hash);
  wire_reply_put(payload, &r);
  send(WIRE_TYPE_REPLY, WIRE_REPLY_SIZE);
}

/* The queue of runs. */

static struct run *run_at(unsigned i) { return &runs[(runs_first + i) % CORE_RUNS]; }

static struct armed *armed_at(unsigned i) { return &armed[(armed_first + i) % CORE_ARMED]; }

/* Whether the link takes what one event makes, and the results of all runs beside it. */
static bool linked(void) { return board_link_room() >= CORE_LINK_RESERVE; }

static void tell(const struct run *r, uint8_t code, uint8_t cause, uint16_t ran, uint64_t end, uint64_t now) {
  struct wire_result m = {r->id, code, cause, ran, r->start, end, now, r->slack};
  wire_result_put(payload, &m);
  send(WIRE_TYPE_RESULT, WIRE_RESULT_SIZE);
}

static void tell_times(const struct run *r) {
  if (!course.n) return;
  struct wire_times m = {r->id, course.first};
  wire_times_put(payload, &m);
  for (unsigned i = 0; i < course.n; i++) wire_put_u64(payload + WIRE_TIMES_SIZE + 8 * i, course.times[i]);
  send(WIRE_TYPE_TIMES, WIRE_TIMES_SIZE + 8u * course.n);
  course.first = (uint16_t)(course.first + course.n);
  course.n = 0;
}

static void begins_at(const struct run *r, uint64_t at) {
  if (course.n == WIRE_MAX_TIMES) tell_times(r);
  course.times[course.n++] = at;
}

static void course_begins(const struct run *r) {
  struct program_facts f;
  program_facts(store + programs[r->program].at, &f);
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
    wire_data_put(payload, &m);
    for (unsigned i = 0; i < a->count; i++) wire_put_u16(payload + WIRE_DATA_SIZE + 2 * i, codes[i]);
    send(WIRE_TYPE_DATA, WIRE_DATA_SIZE + 2u * a->count);
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

/* Makes all lines inactive. What runs is broken off with a code, what waits is recalled; the host is told, or not. */
static uint64_t break_off(uint8_t code, bool told) {
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

static void safe(uint8_t why, uint8_t code) {
  bool told = state == READY && why != WIRE_SAFE_SESSION && why != WIRE_SAFE_LINK;
  uint64_t at = break_off(code, told);
  if (told) {
    struct wire_safe m = {why, at};
    wire_safe_put(payload, &m);
    send(WIRE_TYPE_SAFE, WIRE_SAFE_SIZE);
  }
  state = SAFE;
  safe_why = why;
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
    program_begin(&arming, store + programs[r->program].at, r->start, r->values);
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
      break_off(WIRE_RESULT_UNDERRUN, true);
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

/* Frames of the host. */

static bool used(unsigned index) {
  for (unsigned i = 0; i < runs_n; i++)
    if (run_at(i)->program == index) return true;
  return false;
}

/* A place in the store: behind a program, or at its beginning, where nothing is for so many bytes. */
static bool place(uint32_t length, uint32_t *at) {
  for (unsigned i = 0; i <= CORE_PROGRAMS; i++) {
    if (i < CORE_PROGRAMS && programs[i].state == EMPTY) continue;
    uint32_t from = i < CORE_PROGRAMS ? programs[i].at + programs[i].length : 0;
    if (length > CORE_STORE - from) continue;
    bool room = true;
    for (unsigned k = 0; k < CORE_PROGRAMS; k++)
      if (programs[k].state != EMPTY && programs[k].at < from + length && from < programs[k].at + programs[k].length)
        room = false;
    if (room) {
      *at = from;
      return true;
    }
  }
  return false;
}

static unsigned find(const uint8_t *hash) {
  unsigned i = 0;
  while (i < CORE_PROGRAMS && (programs[i].state == EMPTY || memcmp(programs[i].hash, hash, 16) != 0)) i++;
  return i;
}

/* Makes room for a program that begins to arrive; CORE_PROGRAMS when there is none. One arrives at a time: what was
 * begun and did not come to its end was given up by the host. */
static unsigned begin_program(const struct wire_program *m) {
  unsigned i = 0;
  uint32_t at;
  for (unsigned k = 0; k < CORE_PROGRAMS; k++)
    if (programs[k].state == LOADING) programs[k].state = EMPTY;
  while (i < CORE_PROGRAMS && programs[i].state != EMPTY) i++;
  if (i == CORE_PROGRAMS || !m->length || m->length > CORE_STORE || !place(m->length, &at)) return CORE_PROGRAMS;
  programs[i].at = at;
  programs[i].length = m->length;
  programs[i].have = 0;
  programs[i].state = LOADING;
  memcpy(programs[i].hash, m->hash, 16);
  return i;
}

static void got_program(const uint8_t *p, size_t n) {
  struct wire_program m;
  wire_program_get(p, &m);
  p += WIRE_PROGRAM_SIZE;
  n -= WIRE_PROGRAM_SIZE;
  unsigned i = find(m.hash);
  if (i < CORE_PROGRAMS && programs[i].state == SOUND) { /* it never changes */
    reply(WIRE_TYPE_PROGRAM, WIRE_REPLY_OK, i, 0);
    return;
  }
  if (m.offset == 0) {
    i = begin_program(&m);
    if (i == CORE_PROGRAMS) {
      reply(WIRE_TYPE_PROGRAM, WIRE_REPLY_FULL, i, m.length);
      return;
    }
  }
  if (i == CORE_PROGRAMS || m.length != programs[i].length || m.offset != programs[i].have ||
      n > programs[i].length - programs[i].have) {
    if (i < CORE_PROGRAMS) programs[i].state = EMPTY;
    reply(WIRE_TYPE_PROGRAM, WIRE_REPLY_FORM, CORE_PROGRAMS, 0);
    return;
  }
  memcpy(store + programs[i].at + programs[i].have, p, n);
  programs[i].have += (uint32_t)n;
  if (programs[i].have < programs[i].length) {
    reply(WIRE_TYPE_PROGRAM, WIRE_REPLY_MORE, i, programs[i].have);
    return;
  }
  uint32_t op;
  uint8_t code = program_judge(store + programs[i].at, programs[i].length, &op);
  programs[i].state = code == WIRE_REPLY_OK ? SOUND : EMPTY;
  reply(WIRE_TYPE_PROGRAM, code, i, op);
}

static void got_drop(const uint8_t *p) {
  struct wire_drop m;
  wire_drop_get(p, &m);
  if (m.index >= CORE_PROGRAMS || programs[m.index].state == EMPTY) {
    reply(WIRE_TYPE_DROP, WIRE_REPLY_UNKNOWN, m.index, 0);
  } else if (used(m.index)) {
    reply(WIRE_TYPE_DROP, WIRE_REPLY_BUSY, m.index, 0);
  } else {
    programs[m.index].state = EMPTY;
    reply(WIRE_TYPE_DROP, WIRE_REPLY_OK, m.index, 0);
  }
}

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
static void run_unreadable(const struct wire_submit *m, uint8_t code) {
  bar(m->id);
  reply(WIRE_TYPE_SUBMIT, code, m->index, m->id);
}

static void got_submit(const uint8_t *p, size_t n) {
  struct wire_submit m;
  wire_submit_get(p, &m);
  struct program_facts f;
  uint64_t last = runs_n ? run_at(runs_n - 1)->end : 0;
  if (m.index >= CORE_PROGRAMS || programs[m.index].state != SOUND) {
    run_unreadable(&m, WIRE_REPLY_UNKNOWN);
    return;
  }
  program_facts(store + programs[m.index].at, &f);
  struct run r = {.id = m.id, .program = m.index, .state = WAITING, .start = m.start};
  for (unsigned i = 0; i < m.slots && i < WIRE_MAX_SLOTS && n >= WIRE_SUBMIT_SIZE + 4 * (i + 1); i++)
    r.values[i] = wire_get_i32(p + WIRE_SUBMIT_SIZE + 4 * i);
  if (m.slots != f.slots || n != WIRE_SUBMIT_SIZE + 4u * f.slots || m.start > LATEST || m.start < last ||
      !values_fit(&r, &f)) {
    run_unreadable(&m, WIRE_REPLY_FORM);
    return;
  }
  if (runs_n == CORE_RUNS) {
    run_unreadable(&m, WIRE_REPLY_FULL);
    return;
  }
  const struct board_facts *b = board_facts();
  uint64_t ready = b->latency + CORE_ARMED * b->arm_cost;
  r.end = r.start + f.duration;
  r.slack = (int64_t)(m.start - board_now()) - (int64_t)ready;
  barred = barred && before(m.taken, barrier);
  if (barred)
    run_refused(&r, WIRE_RESULT_RECALLED, WIRE_CAUSE_NONE);
  else if (r.slack < 0)
    run_refused(&r, WIRE_RESULT_LATE, m.late ? WIRE_CAUSE_HOST : WIRE_CAUSE_LINK);
  else
    runs[(runs_first + runs_n++) % CORE_RUNS] = r;
}

static void got_cancel(const uint8_t *p) {
  struct wire_cancel m;
  wire_cancel_get(p, &m);
  unsigned kept = runs_n;
  while (kept > 0 && run_at(kept - 1)->state == WAITING && run_at(kept - 1)->start > m.after) kept--;
  for (unsigned i = kept; i < runs_n; i++) run_refused(run_at(i), WIRE_RESULT_RECALLED, WIRE_CAUSE_NONE);
  runs_n = kept;
}

static void got_release(const uint8_t *p) {
  struct wire_release m;
  wire_release_get(p, &m);
  struct wire_released r = {m.id, board_now(), 0};
  r.inactive = break_off(WIRE_RESULT_STOPPED, true);
  wire_released_put(payload, &r);
  send(WIRE_TYPE_RELEASED, WIRE_RELEASED_SIZE);
}

static void got_hello(const struct wire_header *h, const uint8_t *p) {
  struct wire_hello m;
  wire_hello_get(p, &m);
  uint8_t why = safe_why;
  if (state == READY) safe(why = WIRE_SAFE_SESSION, WIRE_RESULT_STOPPED);
  session = h->session;
  received_seq = h->seq;
  sent_seq = 0;
  barred = false;
  if (m.major != WIRE_MAJOR) {
    state = SAFE;
    reply(WIRE_TYPE_HELLO, WIRE_REPLY_VERSION, CORE_PROGRAMS, WIRE_MAJOR);
    return;
  }
  state = GREETED;
  const struct board_facts *f = board_facts();
  struct wire_welcome w = {.major = WIRE_MAJOR, .minor = WIRE_MINOR, .tick_ns = f->tick_ns, .now = board_now(),
                           .ready = f->latency + CORE_ARMED * f->arm_cost, .release = f->release,
                           .arm_cost = f->arm_cost, .store = CORE_STORE, .programs = CORE_PROGRAMS,
                           .queue = CORE_RUNS, .lines = f->lines, .lanes = f->lanes, .safe = why};
  memcpy(w.build, f->build, sizeof w.build);
  for (unsigned i = 0; i < CORE_PROGRAMS; i++) {
    if (programs[i].state == LOADING) programs[i].state = EMPTY;
    w.held = (uint8_t)(w.held + (programs[i].state == SOUND));
  }
  wire_welcome_put(payload, &w);
  send(WIRE_TYPE_WELCOME, WIRE_WELCOME_SIZE);
  for (unsigned i = 0; i < CORE_PROGRAMS; i++)
    if (programs[i].state == SOUND) reply(WIRE_TYPE_PROGRAM, WIRE_REPLY_OK, i, 0);
}

static void got_config(const uint8_t *p) {
  struct wire_config m;
  wire_config_get(p, &m);
  if (m.lines > board_facts()->lines || m.lanes > board_facts()->lanes) {
    reply(WIRE_TYPE_CONFIG, WIRE_REPLY_LINES, CORE_PROGRAMS, 0);
    return;
  }
  if (!m.lease) { /* a device without one would go on for ever without its host */
    reply(WIRE_TYPE_CONFIG, WIRE_REPLY_FORM, CORE_PROGRAMS, 0);
    return;
  }
  lease = m.lease;
  state = READY;
  reply(WIRE_TYPE_CONFIG, WIRE_REPLY_OK, CORE_PROGRAMS, 0);
}

static void got_alive(const uint8_t *p) {
  struct wire_alive m;
  wire_alive_get(p, &m);
  struct wire_clock c = {m.token, board_now()};
  wire_clock_put(payload, &c);
  send(WIRE_TYPE_CLOCK, WIRE_CLOCK_SIZE);
}

/* The least payload of what a host sends; 0 for what none sends. */
static size_t least(uint8_t type) {
  switch (type) {
  case WIRE_TYPE_HELLO:
    return WIRE_HELLO_SIZE;
  case WIRE_TYPE_CONFIG:
    return WIRE_CONFIG_SIZE;
  case WIRE_TYPE_PROGRAM:
    return WIRE_PROGRAM_SIZE;
  case WIRE_TYPE_DROP:
    return WIRE_DROP_SIZE;
  case WIRE_TYPE_SUBMIT:
    return WIRE_SUBMIT_SIZE;
  case WIRE_TYPE_CANCEL:
    return WIRE_CANCEL_SIZE;
  case WIRE_TYPE_RELEASE:
    return WIRE_RELEASE_SIZE;
  case WIRE_TYPE_ALIVE:
    return WIRE_ALIVE_SIZE;
  default:
    return 0;
  }
}

static void take(uint8_t type, const uint8_t *p, size_t n) {
  if (type == WIRE_TYPE_CONFIG) {
    if (state == READY) {
      reply(type, WIRE_REPLY_ORDER, CORE_PROGRAMS, 0);
      return;
    }
    got_config(p);
    return;
  }
  if (type == WIRE_TYPE_ALIVE) {
    got_alive(p);
    return;
  }
  if (state != READY) {
    reply(type, WIRE_REPLY_ORDER, CORE_PROGRAMS, 0);
    return;
  }
  switch (type) {
  case WIRE_TYPE_PROGRAM:
    got_program(p, n);
    break;
  case WIRE_TYPE_DROP:
    got_drop(p);
    break;
  case WIRE_TYPE_SUBMIT:
    got_submit(p, n);
    break;
  case WIRE_TYPE_CANCEL:
    got_cancel(p);
    break;
  default: /* a release: least knows no other */
    got_release(p);
  }
}

void core_frame(const uint8_t *b, size_t n) {
  if (n < WIRE_HEADER_SIZE) return;
  struct wire_header h;
  wire_header_get(b, &h);
  const uint8_t *p = b + WIRE_HEADER_SIZE;
  n -= WIRE_HEADER_SIZE;
  if (h.length != n || n > WIRE_MAX_PAYLOAD) return;
  if (h.type == WIRE_TYPE_HELLO && n >= WIRE_HELLO_SIZE) { /* of any version: that is what it asks for */
    if (h.session == session && state != SAFE) return; /* it came twice */
    heard = board_now();
    got_hello(&h, p);
    return;
  }
  if (h.version != WIRE_MAJOR || h.session != session || h.boot != board_facts()->boot || state == SAFE) return;
  if (h.seq == received_seq || before(h.seq, received_seq)) return; /* it came twice */
  if (h.seq != received_seq + 1) {
    safe(WIRE_SAFE_ORDER, WIRE_RESULT_STOPPED);
    return;
  }
  received_seq = h.seq;
  heard = board_now();
  if (!least(h.type) || n < least(h.type)) {
    reply(h.type, WIRE_REPLY_SHORT, CORE_PROGRAMS, 0);
    return;
  }
  take(h.type, p, n);
}

void core_link_reset(void) {
  if (state == SAFE) return;
  safe(WIRE_SAFE_LINK, WIRE_RESULT_STOPPED);
}

void core_poll(void) {
  if (state == READY && board_now() - heard > lease) safe(WIRE_SAFE_LEASE, WIRE_RESULT_LEASE);
  while (linked() && complete_one(board_now())) {
  }
  while (arm_one()) {
  }
}

bool core_busy(void) { return runs_n > 0; }

void core_begin(void) {
  memset(programs, 0, sizeof programs);
  runs_n = armed_n = 0;
  state = SAFE;
  safe_why = WIRE_SAFE_BOOT;
  (void)board_release();
}
