#include "sync.h"

#include "core.h"
#include "link.h"
#include "packet.h"
#include "pins.h"

static struct wire_sync said;
static bool taken, watches;
static uint32_t missed[WIRE_MAX_INPUTS]; /* since the session began */
static uint32_t told[WIRE_MAX_INPUTS];   /* of those the host was told last */
static bool counts;                      /* it takes them alone */

void sync_greeted(void) {
  taken = false;
  memset(&said, 0, sizeof said);
  memset(missed, 0, sizeof missed);
  memset(told, 0, sizeof told);
}

uint64_t sync_mark(void) { return taken && said.mark != WIRE_NO_PIN ? said.width : 0; }

static bool serves(uint8_t pin) {
  return memchr(pins_outputs(), pin, WIRE_SIGNALS) || memchr(pins_loops(), pin, WIRE_SIGNALS);
}

static uint8_t judge(void) {
  if (!pins_digest()) return WIRE_PINS_MISSING; /* a board with its own numbering has no names for these */
  if (said.mark != WIRE_NO_PIN && (serves(said.mark) || !said.width || said.width >> 40)) return WIRE_PINS_TWICE;
  for (unsigned i = 0; i < WIRE_MAX_INPUTS; i++) {
    uint8_t pin = said.inputs[i];
    if (pin == WIRE_NO_PIN) continue;
    if (serves(pin) || pin == said.mark || memchr(said.inputs, pin, i)) return WIRE_PINS_TWICE;
  }
  return board_sync(&said) ? 0 : WIRE_PINS_MISSING;
}

void sync_take(const uint8_t *p, uint32_t seq) {
  uint8_t b[WIRE_SYNC_SIZE];
  wire_sync_get(p, &said);
  wire_sync_put(b, &said); /* of what is kept, and not of what came */
  uint32_t digest = packet_crc(b + sizeof said.digest, sizeof b - sizeof said.digest);
  uint8_t wrong = digest == said.digest ? judge() : WIRE_PINS_DIGEST;
  taken = !wrong;
  if (wrong)
    core_reply(WIRE_TYPE_SYNC, seq, WIRE_REPLY_PINS, CORE_PROGRAMS, wrong);
  else
    core_reply(WIRE_TYPE_SYNC, seq, WIRE_REPLY_OK, CORE_PROGRAMS, digest);
}

void sync_begin(void) {
  uint8_t inputs[WIRE_MAX_INPUTS];
  size_t n = 0;
  for (unsigned i = 0; taken && i < WIRE_MAX_INPUTS; i++)
    if (said.inputs[i] != WIRE_NO_PIN && said.edges[i]) inputs[n++] = said.inputs[i];
  watches = n > 0;
  if (watches) board_watch(inputs, n);
}

void sync_end(void) {
  if (watches) board_watch(NULL, 0);
  watches = false;
}

bool sync_watches(void) { return watches; }

void sync_counts(bool on) { counts = on; }

/* Runs and their results come first: an edge for which the link has no room beside them, or that would be one of too many
 * before them, is missed, and counted. */
static bool has_room(void) { return link_room() >= CORE_LINK_RESERVE && link_edges() < WIRE_MOST_EDGES; }

static void tell(unsigned input, const struct board_edge *e) {
  if (!has_room()) {
    missed[input]++;
    return;
  }
  struct wire_edge m = {(uint8_t)input, e->level, missed[input], e->at};
  told[input] = missed[input];
  wire_edge_put(link_out, &m);
  link_send(WIRE_TYPE_EDGE, WIRE_EDGE_SIZE);
}

/* Edges that were missed are told of by the next one, or by themselves where none comes. */
static void tell_missed(void) {
  for (unsigned i = 0; counts && i < WIRE_MAX_INPUTS; i++) {
    if (told[i] == missed[i] || !has_room()) continue;
    struct wire_missed m = {(uint8_t)i, 0, missed[i]};
    told[i] = missed[i];
    wire_missed_put(link_out, &m);
    link_send(WIRE_TYPE_MISSED, WIRE_MISSED_SIZE);
  }
}

void sync_poll(void) {
  struct board_edge e;
  bool came = false;
  for (unsigned n = 0; watches && n < WIRE_LOOK_EDGES && board_edge(&e); n++) {
    const uint8_t *at = memchr(said.inputs, e.input, sizeof said.inputs);
    came = true;
    if (!at) continue;
    unsigned input = (unsigned)(at - said.inputs);
    if (said.edges[input] & (e.level ? WIRE_EDGE_RISING : WIRE_EDGE_FALLING)) tell(input, &e);
  }
  if (watches && !came) tell_missed();
}
