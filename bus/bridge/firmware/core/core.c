#include "core.h"

#include "link.h"
#include "pins.h"
#include "program.h"
#include "readings.h"
#include "runs.h"
#include "selftest.h"
#include "store.h"
#include "sync.h"

#ifdef MUTANTS
uint16_t core_major = WIRE_MAJOR, core_minor = WIRE_MINOR;
#endif

enum session_state { SAFE = 0, GREETED, TESTING, READY };

enum { REMEMBERED = 8 }; /* sessions that are over, which nobody begins again by a message that comes late */

static uint8_t state, safe_why;
static uint32_t session, sessions[REMEMBERED];
static unsigned sessions_n;
static uint64_t lease, heard, owner;
static uint8_t holder[sizeof((struct wire_hello *)0)->name];
static uint8_t peer;
static uint32_t token; /* of the last Alive */
static bool listens;   /* the host knows of readings */

/* The last number of a release, and a stop that has come ahead of its own. */
static uint32_t last_release;
static bool released;
static struct wire_released stop;
static bool stopped, stop_told;

void core_reply_of(uint8_t to, uint32_t seq, uint8_t code, unsigned index, uint32_t detail, const uint8_t *hash) {
  struct wire_reply r = {.to = to, .code = code, .index = (uint16_t)index, .detail = detail, .answers = seq};
  if (hash) memcpy(r.hash, hash, sizeof r.hash);
  wire_reply_put(link_out, &r);
  link_send(WIRE_TYPE_REPLY, WIRE_REPLY_SIZE);
}

void core_reply(uint8_t to, uint32_t seq, uint8_t code, unsigned index, uint32_t detail) {
  core_reply_of(to, seq, code, index, detail, store_hash(index));
}

/* Makes all lines inactive until the next handshake. */
static void safe(uint8_t why, uint8_t code) {
  bool told = state == READY && why != WIRE_SAFE_SESSION && why != WIRE_SAFE_LINK;
  selftest_stop();
  sync_end();
  uint64_t at = runs_break_off(code, told);
  if (told) {
    /* Results come before readings, which would push out the loss itself where the link is full. */
    if (why == WIRE_SAFE_LIMIT && listens && link_room() >= readings_size() + LINK_RECORD + WIRE_HEADER_SIZE + WIRE_SAFE_SIZE)
      readings_tell();
    struct wire_safe m = {why, at};
    wire_safe_put(link_out, &m);
    link_send(WIRE_TYPE_SAFE, WIRE_SAFE_SIZE);
  }
  state = SAFE;
  safe_why = why;
}

/* Frames of the host. */

static void tell_released(const struct wire_released *r) {
  wire_released_put(link_out, r);
  link_send(WIRE_TYPE_RELEASED, WIRE_RELEASED_SIZE);
}

static void release(struct wire_released *r, uint32_t id) {
  *r = (struct wire_released){id, board_now(), 0};
  r->inactive = runs_break_off(WIRE_RESULT_STOPPED, true);
  if (!released || link_before(last_release, id)) last_release = id;
  released = true;
}

static void got_release(const uint8_t *p) {
  struct wire_release m;
  wire_release_get(p, &m);
  if (stopped && m.id == stop.id) { /* nothing has been driven since */
    stopped = false;
    runs_hold(false);
    if (!stop_told) tell_released(&stop);
    return;
  }
  struct wire_released r;
  release(&r, m.id);
  tell_released(&r);
}

/* It may come at any time, also where the link has no room for an answer: then the release that follows is answered. */
static void got_stop(const uint8_t *p) {
  struct wire_stop m;
  wire_stop_get(p, &m);
  if (state != READY || (released && !link_before(last_release, m.id))) return; /* it comes twice, or late */
  release(&stop, m.id);
  stopped = true;
  runs_hold(true);
  stop_told = link_room() >= CORE_LINK_RESERVE;
  if (stop_told) tell_released(&stop);
}

static void stop_greeted(void) { released = stopped = false; }

static void refuse(uint32_t to, uint8_t at, uint8_t code) {
  struct wire_refused m = {.code = code, .major = CORE_MAJOR, .minor = CORE_MINOR};
  m.heard_us = (board_now() - heard) / 1000 * board_facts()->tick_ns;
  uint8_t b[WIRE_REFUSED_SIZE];
  memcpy(m.holder, holder, sizeof m.holder);
  wire_refused_put(b, &m);
  link_at_once(to, at, WIRE_TYPE_REFUSED, b, sizeof b);
}

static bool is_over(uint32_t s) {
  for (unsigned i = 0; i < REMEMBERED; i++)
    if (sessions[i] == s) return true;
  return false;
}

static void welcome(uint8_t why) {
  const struct board_facts *f = board_facts();
  struct wire_welcome w = {.major = CORE_MAJOR, .minor = CORE_MINOR, .tick_ns = f->tick_ns, .now = board_now(),
                           .ready = f->latency + CORE_ARMED * f->arm_cost, .release = f->release,
                           .arm_cost = f->arm_cost, .store = CORE_STORE, .programs = CORE_PROGRAMS,
                           .queue = CORE_RUNS, .lines = f->lines, .lanes = f->lanes, .safe = why,
                           .window = CORE_WINDOW, .emulated = f->emulated};
  memcpy(w.build, f->build, sizeof w.build);
  w.held = (uint8_t)store_greeted();
  wire_welcome_put(link_out, &w);
  link_send(WIRE_TYPE_WELCOME, WIRE_WELCOME_SIZE);
  for (unsigned i = 0; i < CORE_PROGRAMS; i++)
    if (store_program(i)) core_reply(WIRE_TYPE_PROGRAM, 0, WIRE_REPLY_OK, i, 0);
}

static void got_hello(const struct wire_header *h, const uint8_t *p, uint8_t from) {
  struct wire_hello m;
  wire_hello_get(p, &m);
  if (h->session == session || is_over(h->session)) return; /* it came twice, or late */
  if (m.major != CORE_MAJOR) {
    refuse(h->session, from, WIRE_REFUSED_VERSION);
    return;
  }
  if (state == READY && m.owner != owner && !m.take_over) {
    refuse(h->session, from, WIRE_REFUSED_IN_USE);
    return;
  }
  uint8_t why = safe_why;
  memcpy(holder, m.name, sizeof holder);
  if (state == READY) {
    safe(why = WIRE_SAFE_SESSION, WIRE_RESULT_STOPPED);
    if (m.owner != owner) refuse(session, peer, WIRE_REFUSED_TAKEN);
  } else if (state != SAFE && m.owner != owner) { /* who was first, but has not configured it, does not have it */
    refuse(session, peer, WIRE_REFUSED_IN_USE);
  }
  sessions[sessions_n++ % REMEMBERED] = session;
  session = h->session;
  owner = m.owner;
  peer = from;
  heard = board_now();
  token = 0;
  listens = m.minor >= WIRE_MINOR_PINS;
  state = GREETED;
  stop_greeted();
  runs_greeted();
  selftest_greeted();
  pins_greeted();
  sync_greeted();
  sync_counts(m.minor >= WIRE_MINOR_STOP);
  link_begin(session, peer, m.window);
  welcome(why);
}

static void got_config(const uint8_t *p, uint32_t seq) {
  struct wire_config m;
  wire_config_get(p, &m);
  uint8_t code = WIRE_REPLY_OK, detail = 0;
  if (state != GREETED)
    code = WIRE_REPLY_ORDER;
  else if (m.lines > board_facts()->lines || m.lanes > board_facts()->lanes)
    code = WIRE_REPLY_LINES;
  else if (readings_hazard())
    code = WIRE_REPLY_HAZARD;
  else if (!m.lease) /* a device without one would go on for ever without its host */
    code = WIRE_REPLY_FORM;
  else if ((detail = pins_ready()) != 0)
    code = WIRE_REPLY_PINS;
  else if (!selftest_allows())
    code = WIRE_REPLY_UNTESTED;
  if (listens) readings_tell();
  core_reply(WIRE_TYPE_CONFIG, seq, code, CORE_PROGRAMS, detail);
  if (code != WIRE_REPLY_OK) return;
  lease = m.lease;
  state = READY;
  sync_begin();
}

static void got_alive(const uint8_t *p) {
  struct wire_alive m;
  wire_alive_get(p, &m);
  if (!link_before(token, m.token)) return; /* it comes twice, or late */
  token = m.token;
  heard = board_now();
  struct wire_clock c = {m.token, heard};
  uint8_t b[WIRE_CLOCK_SIZE];
  wire_clock_put(b, &c);
  link_at_once(session, peer, WIRE_TYPE_CLOCK, b, sizeof b);
}

/* The least payload of what a host sends with a number; 0 for what none sends. */
static size_t least(uint8_t type) {
  switch (type) {
  case WIRE_TYPE_CONFIG:
    return WIRE_CONFIG_SIZE;
  case WIRE_TYPE_PINS:
    return WIRE_PINS_SIZE;
  case WIRE_TYPE_SELF_TEST:
    return WIRE_SELF_TEST_SIZE;
  case WIRE_TYPE_SYNC:
    return WIRE_SYNC_SIZE;
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
  default:
    return 0;
  }
}

static void take(const struct link_message *m) {
  if (!least(m->type) || m->n < least(m->type)) {
    core_reply(m->type, m->seq, WIRE_REPLY_SHORT, CORE_PROGRAMS, 0);
    return;
  }
  if (m->type == WIRE_TYPE_CONFIG) {
    got_config(m->payload, m->seq);
    return;
  }
  if (m->type == WIRE_TYPE_PINS && state == GREETED) { /* a line that is active stays where it is */
    sync_greeted(); /* whose pins are others beside these */
    pins_take(m->payload, m->seq);
    return;
  }
  if (m->type == WIRE_TYPE_SYNC && state == GREETED && !pins_ready()) {
    sync_take(m->payload, m->seq);
    return;
  }
  if (m->type == WIRE_TYPE_SELF_TEST && state == GREETED && !pins_ready()) {
    state = TESTING;
    selftest_take(m->payload);
    if (!selftest_poll()) state = GREETED;
    return;
  }
  if (state != READY || m->type == WIRE_TYPE_PINS || m->type == WIRE_TYPE_SELF_TEST || m->type == WIRE_TYPE_SYNC) {
    core_reply(m->type, m->seq, WIRE_REPLY_ORDER, CORE_PROGRAMS, 0);
    return;
  }
  switch (m->type) {
  case WIRE_TYPE_PROGRAM:
    store_part(m->payload, m->n, m->seq);
    break;
  case WIRE_TYPE_DROP:
    store_drop(m->payload, m->seq);
    break;
  case WIRE_TYPE_SUBMIT:
    runs_submit(m->payload, m->n, m->seq);
    break;
  case WIRE_TYPE_CANCEL:
    runs_cancel(m->payload);
    break;
  default: /* a release: least knows no other */
    got_release(m->payload);
  }
}

/* Takes what has come, as far as the ring has room for what becomes of it. */
static void take_all(void) {
  struct link_message m;
  while (state != SAFE && link_room() >= CORE_LINK_RESERVE && link_next(&m)) take(&m);
}

void core_frame(uint8_t from, const uint8_t *b, size_t n) {
  if (n < WIRE_HEADER_SIZE) return;
  struct wire_header h;
  wire_header_get(b, &h);
  const uint8_t *p = b + WIRE_HEADER_SIZE;
  n -= WIRE_HEADER_SIZE;
  if (h.length != n || n > WIRE_MAX_PAYLOAD) return;
  if (h.type == WIRE_TYPE_HELLO) { /* of any version: that is what it asks for */
    if (n >= WIRE_HELLO_SIZE) got_hello(&h, p, from);
    return;
  }
  if (h.version != WIRE_MAJOR || h.boot != board_facts()->boot || !link_is(h.session, from)) return;
  uint64_t got = h.type == WIRE_TYPE_ACK && n >= WIRE_ACK_SIZE ? wire_get_u64(p) : 0;
  link_acknowledged(h.ack, got);
  if (state == SAFE) return; /* what was told before is still sent */
  if (h.type == WIRE_TYPE_ALIVE && n >= WIRE_ALIVE_SIZE) got_alive(p);
  if (h.type == WIRE_TYPE_STOP && n >= WIRE_STOP_SIZE) got_stop(p);
  if (h.type >= WIRE_TYPE_HELLO) return; /* it has no number */
  if (link_take(&h, p)) heard = board_now();
  take_all();
}

void core_link_reset(uint8_t which) {
  if (!link_is(session, which)) return;
  link_end();
  if (state != SAFE) safe(WIRE_SAFE_LINK, WIRE_RESULT_STOPPED);
}

uint8_t core_peer(void) { return link_is(session, peer) ? peer : CORE_NOBODY; }

void core_poll(void) {
  uint8_t hazard = readings_hazard();
  if (state == READY && hazard) safe(hazard, WIRE_RESULT_FAULT);
  if (state == READY && board_now() - heard > lease) safe(WIRE_SAFE_LEASE, WIRE_RESULT_LEASE);
  if (link_room() >= CORE_LINK_RESERVE) store_poll();
  take_all();
  /* A hazard ends a self-test at once: what is told of that is short, and has room where the rest has to wait. */
  if (state == TESTING && (hazard || link_room() >= CORE_LINK_RESERVE) && !selftest_poll()) state = GREETED;
  if (state == READY) sync_poll();
  if (state == READY && listens && link_room() >= CORE_LINK_RESERVE) readings_poll();
  runs_poll();
  link_poll();
}

bool core_busy(void) { return runs_count() > 0 || store_busy() || state == TESTING || sync_watches(); }

void core_begin(void) {
  state = SAFE;
  safe_why = WIRE_SAFE_BOOT;
  store_begin();
  runs_begin();
}
