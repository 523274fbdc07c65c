#include "link.h"

_Static_assert((CORE_WINDOW & (CORE_WINDOW - 1)) == 0 && CORE_WINDOW <= WIRE_MAX_WINDOW, "the window of frames");

/* What is known of a frame in the ring, before it. */
struct record {
  uint16_t size;
  uint8_t tries;
  uint8_t flags;
  uint64_t sent;
};

/* How often a frame is sent until the host is given up: with the times between, as long as a handshake may take. */
enum { MOST_TRIES = 20 };

enum { GOT = 1, AGAIN = 2 }; /* the host has it, but not one before it; it is to be sent again now */

static uint32_t session;
static uint8_t peer;
static bool there;

/* To the host: a ring of bytes with frames, of which those at the beginning were sent. */
static uint8_t ring[CORE_RING];
static size_t first, used, sent; /* where they begin; bytes of all, and of those that were sent */
static uint32_t acked, last;     /* numbers of frames */
static uint32_t waiting;         /* frames that were sent and not acknowledged */
static unsigned edges;           /* frames of the ring that tell of them */
static uint16_t window;
static uint64_t due;             /* when a frame is to be sent again, at the earliest */
static uint8_t scratch[LINK_FRAME];

/* From the host: frames by the lowest bits of their numbers. */
static struct {
  bool is;
  uint8_t type;
  uint16_t n;
  uint8_t payload[WIRE_MAX_PAYLOAD];
} arrived[CORE_WINDOW];
static uint32_t received; /* the last that was given out */
static bool owed;         /* an acknowledgement is */

static void ring_put(size_t at, const uint8_t *p, size_t n) {
  at = (first + at) % CORE_RING;
  size_t k = CORE_RING - at < n ? CORE_RING - at : n;
  memcpy(ring + at, p, k);
  memcpy(ring, p + k, n - k);
}

static void ring_get(size_t at, uint8_t *p, size_t n) {
  at = (first + at) % CORE_RING;
  size_t k = CORE_RING - at < n ? CORE_RING - at : n;
  memcpy(p, ring + at, k);
  memcpy(p + k, ring, n - k);
}

static void record_put(size_t at, const struct record *r) {
  uint8_t b[LINK_RECORD];
  wire_put_u16(b, r->size);
  b[2] = r->tries;
  b[3] = r->flags;
  wire_put_u64(b + 4, r->sent);
  ring_put(at, b, sizeof b);
}

static void record_get(size_t at, struct record *r) {
  uint8_t b[LINK_RECORD];
  ring_get(at, b, sizeof b);
  *r = (struct record){wire_get_u16(b), b[2], b[3], wire_get_u64(b + 4)};
}

void link_begin(uint32_t s, uint8_t p, uint16_t takes) {
  session = s;
  peer = p;
  there = true;
  window = takes < 1 ? 1 : takes > WIRE_MAX_WINDOW ? WIRE_MAX_WINDOW : takes;
  first = used = sent = 0;
  acked = last = waiting = 0;
  edges = 0;
  received = 0;
  owed = false;
  for (unsigned i = 0; i < CORE_WINDOW; i++) arrived[i].is = false;
}

void link_end(void) { there = false; }

bool link_is(uint32_t s, uint8_t p) { return there && session == s && peer == p; }

size_t link_room(void) { return CORE_RING - used; }

unsigned link_edges(void) { return edges; }

static bool tells_edge(uint8_t type) { return type == WIRE_TYPE_EDGE || type == WIRE_TYPE_MISSED; }

uint8_t link_out[WIRE_MAX_PAYLOAD];

void link_send(uint8_t type, size_t n) {
  struct wire_header h = {type, WIRE_MAJOR, (uint16_t)n, session, board_facts()->boot, last + 1, 0};
  struct record r = {(uint16_t)(WIRE_HEADER_SIZE + n), 0, 0, 0};
  uint8_t head[WIRE_HEADER_SIZE];
  if (!there) return;
  if (LINK_RECORD + (size_t)r.size > CORE_RING - used) { /* who is told of nothing notices that */
#ifdef LINK_FULL
    LINK_FULL();
#endif
    return;
  }
  last = h.seq;
  wire_header_put(head, &h);
  record_put(used, &r);
  ring_put(used + LINK_RECORD, head, sizeof head);
  ring_put(used + LINK_RECORD + sizeof head, link_out, n);
  used += LINK_RECORD + (size_t)r.size;
  if (tells_edge(type)) edges++;
}

void link_at_once(uint32_t s, uint8_t p, uint8_t type, const uint8_t *payload, size_t n) {
  if (board_link_room(p) < WIRE_HEADER_SIZE + n) return;
  struct wire_header h = {type, WIRE_MAJOR, (uint16_t)n, s, board_facts()->boot, 0, s == session ? received : 0};
  wire_header_put(scratch, &h);
  memcpy(scratch + WIRE_HEADER_SIZE, payload, n);
  board_send(p, scratch, WIRE_HEADER_SIZE + n);
}

bool link_take(const struct wire_header *h, const uint8_t *payload) {
  owed = true; /* what comes twice does as its acknowledgement was lost */
  uint32_t ahead = h->seq - received - 1;
  if (ahead >= CORE_WINDOW || arrived[h->seq % CORE_WINDOW].is) return false;
  arrived[h->seq % CORE_WINDOW].is = true;
  arrived[h->seq % CORE_WINDOW].type = h->type;
  arrived[h->seq % CORE_WINDOW].n = h->length;
  memcpy(arrived[h->seq % CORE_WINDOW].payload, payload, h->length);
  return true;
}

bool link_next(struct link_message *m) {
  uint32_t seq = received + 1;
  if (!arrived[seq % CORE_WINDOW].is) return false;
  arrived[seq % CORE_WINDOW].is = false;
  received = seq;
  owed = true;
  *m = (struct link_message){arrived[seq % CORE_WINDOW].type, seq, arrived[seq % CORE_WINDOW].payload,
                             arrived[seq % CORE_WINDOW].n};
  return true;
}

/* Marks what the host has behind a frame that is missing, and that what is missing before it is to be sent again,
 * unless that was just done. */
static void mark(uint64_t got) {
  uint64_t now = board_now(), soon = board_facts()->resend / 4;
  struct record r;
  size_t at = 0;
  for (uint32_t i = 0; i < waiting && got << 1 >> i; i++) {
    record_get(at, &r);
    if (i > 0 && got >> (i - 1) & 1)
      r.flags = GOT;
    else if (now - r.sent > soon)
      r.flags |= AGAIN;
    record_put(at, &r);
    at += LINK_RECORD + (size_t)r.size;
  }
  due = 0;
}

void link_acknowledged(uint32_t ack, uint64_t got) {
  uint32_t n = ack - acked;
  if (n > waiting) return;
  struct record r;
  for (; n; n--) {
    record_get(0, &r);
    uint8_t type; /* a frame begins with it */
    ring_get(LINK_RECORD, &type, 1);
    if (tells_edge(type)) edges--;
    size_t size = LINK_RECORD + (size_t)r.size;
    first = (first + size) % CORE_RING;
    used -= size;
    sent -= size;
    waiting--;
    acked++;
  }
  if (got && ack == acked && board_facts()->resend) mark(got & (UINT64_MAX >> 1));
}

/* Sends the frame at a place of the ring. False: the board has no room for it. */
static bool transmit(size_t at, struct record *r) {
  if (board_link_room(peer) < r->size) return false;
  ring_get(at + LINK_RECORD, scratch, r->size);
  struct wire_header h;
  wire_header_get(scratch, &h);
  h.ack = received;
  wire_header_put(scratch, &h);
  board_send(peer, scratch, r->size);
  r->sent = board_now();
  if (r->tries < UINT8_MAX) r->tries++;
  r->flags = 0;
  record_put(at, r);
  owed = false;
  return true;
}

/* When a frame that was sent is sent again: each time after twice the time. */
static uint64_t again_at(const struct record *r) {
  if (r->flags & GOT) return UINT64_MAX;
  if (r->flags & AGAIN) return 0;
  return r->sent + (board_facts()->resend << (r->tries < 5 ? r->tries - 1 : 4));
}

static void resend(uint64_t now) {
  struct record r;
  size_t at = 0;
  due = UINT64_MAX;
  for (uint32_t i = 0; i < waiting; i++) {
    record_get(at, &r);
    if (again_at(&r) <= now) {
      if (r.tries >= MOST_TRIES) { /* nobody is there, or somebody who has not asked: that is sent no more */
        link_end();
        return;
      }
      if (!transmit(at, &r)) {
        due = 0;
        return;
      }
    }
    if (again_at(&r) < due) due = again_at(&r);
    at += LINK_RECORD + (size_t)r.size;
  }
}

/* The frames behind one that is missing. */
static uint64_t got_behind(void) {
  uint64_t got = 0;
  uint32_t seq = received + 2;
  for (unsigned i = 0; i + 1 < CORE_WINDOW; i++, seq++)
    if (arrived[seq % CORE_WINDOW].is) got |= (uint64_t)1 << i;
  return got;
}

void link_poll(void) {
  if (!there) return;
  uint64_t now = board_now();
  if (board_facts()->resend && waiting && now >= due) resend(now);
  if (!there) return;
  struct record r;
  while (sent < used && waiting < window) {
    record_get(sent, &r);
    if (!transmit(sent, &r)) return;
    sent += LINK_RECORD + (size_t)r.size;
    waiting++;
    if (again_at(&r) < due || waiting == 1) due = again_at(&r);
  }
  uint64_t got = got_behind();
  if (!owed || board_link_room(peer) < WIRE_HEADER_SIZE + WIRE_ACK_SIZE) return;
  owed = false;
  uint8_t b[WIRE_ACK_SIZE];
  wire_ack_put(b, &(struct wire_ack){got});
  link_at_once(session, peer, WIRE_TYPE_ACK, b, sizeof b);
}
