#include "readings.h"

#include "core.h"
#include "link.h"

static uint64_t told_at;

uint8_t readings_hazard(void) {
  uint8_t hazard = board_hazard();
  unsigned n = board_readings();
  struct wire_reading r = {0};
  for (unsigned i = 0; !hazard && i < n; i++) {
    board_reading(i, &r);
    if (r.value < r.low || r.value > r.high) hazard = WIRE_SAFE_LIMIT;
  }
  return hazard;
}

size_t readings_size(void) {
  return (size_t)board_readings() * (LINK_RECORD + WIRE_HEADER_SIZE + WIRE_READING_SIZE);
}

void readings_tell(void) {
  unsigned n = board_readings();
  told_at = board_now();
  for (unsigned i = 0; i < n; i++) {
    struct wire_reading r = {0};
    board_reading(i, &r);
    r.index = (uint8_t)i;
    r.count = (uint8_t)n;
    r.at = told_at;
    wire_reading_put(link_out, &r);
    link_send(WIRE_TYPE_READING, WIRE_READING_SIZE);
  }
}

void readings_poll(void) {
  if (board_now() - told_at >= 1000000000u / board_facts()->tick_ns) readings_tell();
}
