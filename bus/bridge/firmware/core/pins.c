#include "pins.h"

#include "core.h"
#include "packet.h"

static struct wire_pins pins;
static uint8_t wrong; /* why the board has none of the host's; 0: it has, or none were given */
static bool given;    /* by this session */

void pins_greeted(void) {
  given = false;
  wrong = 0;
  memset(&pins, WIRE_NO_PIN, sizeof pins);
}

uint32_t pins_digest(void) { return given ? pins.digest : 0; }

const uint8_t *pins_outputs(void) { return pins.outputs; }

const uint8_t *pins_loops(void) { return pins.loops; }

/* Whether something occurs twice among what is there. */
static bool twice(const uint8_t *p, unsigned n) {
  for (unsigned i = 0; i < n; i++)
    for (unsigned k = 0; k < i; k++)
      if (p[i] != WIRE_NO_PIN && p[i] == p[k]) return true;
  return false;
}

static bool is_output(uint8_t pin) { return memchr(pins.outputs, pin, sizeof pins.outputs) != NULL; }

static uint8_t judge(void) {
  if (twice(pins.outputs, sizeof pins.outputs) || twice(pins.converters, sizeof pins.converters)) return WIRE_PINS_TWICE;
  for (unsigned i = 0; i < sizeof pins.loops; i++)
    if (pins.loops[i] != WIRE_NO_PIN && (pins.outputs[i] == WIRE_NO_PIN || is_output(pins.loops[i])))
      return WIRE_PINS_LOOP;
  for (unsigned i = 0; i < sizeof pins.converters; i++)
    if (pins.converters[i] != WIRE_NO_PIN && pins.converters[i] >= board_facts()->lanes) return WIRE_PINS_CONVERTER;
  return board_pins(&pins) ? 0 : WIRE_PINS_MISSING;
}

void pins_take(const uint8_t *p, uint32_t seq) {
  uint8_t b[WIRE_PINS_SIZE];
  wire_pins_get(p, &pins);
  wire_pins_put(b, &pins); /* of what is kept, and not of what came */
  uint32_t digest = packet_crc(b + sizeof pins.digest, sizeof b - sizeof pins.digest);
  wrong = digest == pins.digest ? judge() : WIRE_PINS_DIGEST;
  given = true;
  core_reply(WIRE_TYPE_PINS, seq, wrong ? WIRE_REPLY_PINS : WIRE_REPLY_OK, CORE_PROGRAMS, wrong ? wrong : digest);
}

uint8_t pins_ready(void) {
  if (wrong) return wrong;
  return given || board_pins(NULL) ? 0 : WIRE_PINS_MISSING;
}
