/* The link of the core alone, as a program whose time and frames come over its standard input, for tests of both ends:
 * each line is a time and a packet as it goes over a serial line, or "-" for none, in hexadecimal digits. What the link
 * sends for it goes to the standard output, a line for each packet, and an empty line. Every message that is given out
 * is sent back. The first line begins a session: its number, and how many frames the other end takes. */
#include <stdio.h>

#include "../../core/packet.h"

static uint64_t now;

const struct board_facts *board_facts(void) {
  static const struct board_facts facts = {.tick_ns = 1000, .boot = 7, .resend = 20000};
  return &facts;
}

uint64_t board_now(void) { return now; }

size_t board_link_room(uint8_t peer) { return peer == 0 ? LINK_FRAME : 0; }

void board_send(uint8_t peer, const uint8_t *frame, size_t n) {
  uint8_t packet[PACKET_MAX], coded[PACKET_CODED];
  (void)peer;
  memcpy(packet, frame, n);
  n = packet_encode(coded, packet, packet_seal(packet, n));
  for (size_t i = 0; i < n; i++) printf("%02x", coded[i]);
  printf("\n");
}

static void take(const uint8_t *b, size_t n, uint32_t session) {
  struct wire_header h;
  wire_header_get(b, &h);
  if (h.length != n - WIRE_HEADER_SIZE || h.session != session) return;
  uint64_t got = h.type == WIRE_TYPE_ACK && h.length >= WIRE_ACK_SIZE ? wire_get_u64(b + WIRE_HEADER_SIZE) : 0;
  link_acknowledged(h.ack, got);
  if (h.type < WIRE_TYPE_HELLO) link_take(&h, b + WIRE_HEADER_SIZE);
}

static int digit(int c) { return c <= '9' ? c - '0' : c - 'a' + 10; }

int main(void) {
  static struct packet_line line;
  unsigned session, window;
  unsigned long long at;
  if (scanf("%u %u", &session, &window) != 2) return 2;
  link_begin(session, 0, (uint16_t)window);
  while (scanf("%llu ", &at) == 1) {
    now = at;
    for (int a = getchar(); a != '-' && a != '\n' && a != EOF; a = getchar()) {
      size_t n = packet_byte(&line, (uint8_t)(digit(a) << 4 | digit(getchar())));
      if (n) take(line.packet, n, session);
    }
    struct link_message m;
    while (link_room() > LINK_RECORD + LINK_FRAME && link_next(&m)) {
      memcpy(link_out, m.payload, m.n);
      link_send(m.type, m.n);
    }
    link_poll();
    printf("\n");
    fflush(stdout);
  }
  return 0;
}
