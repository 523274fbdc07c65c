/* The pin port of the host build. Events wait in a queue until they are over, and go to the process that simulates the
 * chips then; of samples it answers with the codes. */
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#include "host.h"

enum { QUEUE = CORE_ARMED, OUT_BYTES = 1 << 18, IN_BYTES = 1 << 18 };

/* Answers that are on their way are at most what fits into the other process's socket: it never has to wait for this
 * one while this one waits for it. */
enum { MOST_ON_THE_WAY = 64 * 1024 };

struct pending {
  struct wire_pin_event e;
  uint64_t end;
  bool whole;
};

static int fd = -1;
static struct pending queue[QUEUE]; /* a ring: first, those carried out, and then those armed */
static unsigned first, sent, n;     /* sent of n are carried out */
static uint8_t out[OUT_BYTES], in[IN_BYTES];
static size_t out_n, in_n, on_the_way;

/* Edges at inputs are asked for, one look after another. The answer comes among those of samples. */
enum { LOOK_BYTES = WIRE_LOOK_EDGES * WIRE_PIN_EDGE_SIZE };
static bool watching, looking;
static size_t before_look; /* bytes of answers that come before that of the look */
static uint64_t look_at, edges_until;
static struct board_edge edges[WIRE_LOOK_EDGES];
static unsigned edges_first, edges_n;

void pins_connect(const char *address, uint32_t tick_ns) {
  for (int tries = 0; tries < 200 && fd < 0; tries++) { /* who simulates the chips may come later */
    fd = open_socket(address, false);
    if (fd < 0) nanosleep(&(struct timespec){0, 50000000}, NULL);
  }
  if (fd < 0) die("nobody simulates the chips behind the pins: start 'facetd chips'");
  struct wire_pin_hello h = {WIRE_MAJOR, tick_ns};
  wire_pin_hello_put(out, &h);
  out_n = WIRE_PIN_HELLO_SIZE;
  fcntl(fd, F_SETFL, O_NONBLOCK);
}

int pins_fd(void) { return fd; }

bool pins_waiting(void) { return out_n > 0; }

static void flush_out(void) {
  size_t done = 0;
  while (done < out_n) {
    ssize_t k = send(fd, out + done, out_n - done, 0);
    if (k < 0 && (errno == EAGAIN || errno == EINTR)) break;
    if (k <= 0) die("the simulated chips are gone");
    done += (size_t)k;
  }
  memmove(out, out + done, out_n - done);
  out_n -= done;
}

static void fill_in(void) {
  while (in_n < IN_BYTES) {
    ssize_t k = recv(fd, in + in_n, IN_BYTES - in_n, 0);
    if (k < 0 && (errno == EAGAIN || errno == EINTR)) return;
    if (k <= 0) die("the simulated chips are gone");
    in_n += (size_t)k;
  }
}

static unsigned lanes(const struct wire_pin_event *e) {
  unsigned k = 0;
  for (uint16_t m = e->lanes; m; m = (uint16_t)(m & (m - 1))) k++;
  return k;
}

static size_t answer(const struct wire_pin_event *e) {
  if (e->kind == WIRE_PIN_LOOK) return LOOK_BYTES;
  return e->kind == WIRE_PIN_SAMPLE ? 2u * lanes(e) * e->count : 0;
}

static void carry_out(const struct wire_pin_event *e) {
  wire_pin_event_put(out + out_n, e);
  out_n += WIRE_PIN_EVENT_SIZE;
  on_the_way += answer(e);
}

static struct pending *at(unsigned i) { return &queue[(first + i) % QUEUE]; }

static void took(size_t size) {
  memmove(in, in + size, in_n - size);
  in_n -= size;
  on_the_way -= size;
}

/* Takes the answer to a look once it has come and those before it were taken. */
static void take_look(void) {
  if (!looking || before_look || in_n < LOOK_BYTES) return;
  looking = false;
  edges_first = edges_n = 0;
  for (unsigned i = 0; i < WIRE_LOOK_EDGES; i++) {
    struct wire_pin_edge e;
    wire_pin_edge_get(in + i * WIRE_PIN_EDGE_SIZE, &e);
    if (e.input != WIRE_NO_PIN) edges[edges_n++] = (struct board_edge){e.at, e.input, e.level};
  }
  took(LOOK_BYTES);
  if (!watching) edges_n = 0;
  edges_until = edges_n < WIRE_LOOK_EDGES ? look_at : edges[edges_n - 1].at; /* there may be more */
}

/* Looks again, up to now, or to what has not gone to the pins yet. */
static void look(void) {
  take_look();
  if (!watching || looking || edges_n > 0 || out_n + WIRE_PIN_EVENT_SIZE > OUT_BYTES) return;
  uint64_t now = board_now();
  if (sent < n && at(sent)->e.at <= now) now = at(sent)->e.at - 1;
  looking = true;
  look_at = now;
  before_look = on_the_way;
  carry_out(&(struct wire_pin_event){.kind = WIRE_PIN_LOOK, .at = now});
}

bool board_edge(struct board_edge *e) {
  if (!edges_n) return false;
  *e = edges[edges_first++];
  edges_n--;
  return true;
}

uint64_t board_edges_until(void) { return edges_until; }

void pins_pump(void) {
  uint64_t now = board_now();
  fill_in();
  while (sent < n && at(sent)->end <= now && out_n + WIRE_PIN_EVENT_SIZE <= OUT_BYTES &&
         on_the_way + answer(&at(sent)->e) <= MOST_ON_THE_WAY)
    carry_out(&at(sent++)->e);
  look();
  flush_out();
}

unsigned board_room(void) { return QUEUE - n; }

bool board_arm(const struct wire_pin_event *e) {
  if (board_begins(e) < board_now()) return false;
  struct pending *p = at(n++);
  p->e = *e;
  p->end = e->at;
  p->whole = true;
  if (e->kind == WIRE_PIN_SAMPLE) p->end += (uint64_t)(e->count - 1) * e->interval;
  if (e->kind == WIRE_PIN_CLOCK) p->end += (uint64_t)(e->count - 1) * e->width;
  return true;
}

bool board_done(struct board_done *d) {
  static uint16_t codes[WIRE_MAX_LANES * WIRE_MAX_TRAIN];
  if (!sent) return false;
  struct pending *p = at(0);
  size_t size = answer(&p->e);
  take_look();
  if (in_n < size || (looking && before_look < size)) return false;
  for (size_t i = 0; i < size / 2; i++) codes[i] = wire_get_u16(in + 2 * i);
  took(size);
  if (looking) before_look -= size;
  *d = (struct board_done){p->e.at, p->whole, codes};
  first = (first + 1) % QUEUE;
  sent--;
  n--;
  return true;
}

void pins_settle(void) {
  for (int tries = 0; tries < 1000; tries++) {
    flush_out();
    fill_in();
    if (!out_n && in_n >= on_the_way) return;
    struct pollfd p = {.fd = fd, .events = (short)(POLLIN | (out_n ? POLLOUT : 0))};
    poll(&p, 1, 1);
  }
  die("the simulated chips do not answer");
}

uint64_t board_release(void) {
  uint64_t now = board_now();
  while (sent < n && at(sent)->e.at <= now) {
    struct pending *p = at(sent);
    if (p->end > now) { /* it is cut short */
      uint64_t apart = p->e.kind == WIRE_PIN_SAMPLE ? p->e.interval : p->e.width;
      p->e.count = (uint16_t)((now - p->e.at) / apart + 1);
      p->whole = false;
    }
    if (out_n + 2 * WIRE_PIN_EVENT_SIZE > OUT_BYTES || on_the_way + answer(&p->e) > MOST_ON_THE_WAY) pins_settle();
    carry_out(&p->e);
    sent++;
  }
  n = sent;
  if (out_n + WIRE_PIN_EVENT_SIZE > OUT_BYTES) pins_settle();
  struct wire_pin_event e = {.kind = WIRE_PIN_RELEASE, .at = now};
  carry_out(&e);
  pins_settle();
  return now;
}

static void route(uint8_t which, uint8_t value) {
  if (out_n + 2 * WIRE_PIN_EVENT_SIZE > OUT_BYTES) pins_settle();
  carry_out(&(struct wire_pin_event){.kind = WIRE_PIN_ROUTE, .at = board_now(), .which = which, .value = value});
}

bool board_pins(const struct wire_pins *pins) {
  route(WIRE_ROUTE_BEGIN, 0);
  for (unsigned i = 0; pins && i < sizeof pins->outputs; i++)
    if (pins->outputs[i] != WIRE_NO_PIN) route((uint8_t)i, pins->outputs[i]);
  for (unsigned i = 0; pins && i < sizeof pins->converters; i++)
    if (pins->converters[i] != WIRE_NO_PIN) route((uint8_t)(WIRE_ROUTE_LANE + i), pins->converters[i]);
  return true; /* it has every pin that can be written */
}

bool board_sync(const struct wire_sync *s) {
  if (s->mark != WIRE_NO_PIN) route(WIRE_SIGNAL_MARK, s->mark);
  return true; /* it has every pin that can be written */
}

void board_watch(const uint8_t *inputs, size_t k) {
  if (out_n + 2 * WIRE_PIN_EVENT_SIZE > OUT_BYTES) pins_settle();
  carry_out(&(struct wire_pin_event){.kind = WIRE_PIN_WATCH, .at = board_now(), .which = WIRE_NO_PIN});
  for (size_t i = 0; i < k; i++) {
    if (out_n + 2 * WIRE_PIN_EVENT_SIZE > OUT_BYTES) pins_settle();
    carry_out(&(struct wire_pin_event){.kind = WIRE_PIN_WATCH, .at = board_now(), .which = inputs[i]});
  }
  watching = k > 0;
  edges_n = 0;
}
