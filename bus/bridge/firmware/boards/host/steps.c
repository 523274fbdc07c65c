/* The host build in a time of its own, for tests: "--link steps:". Each line of the standard input is a time in
 * nanoseconds, for how many bytes the link has room, and a packet that has come by then, or "-" for none, in
 * hexadecimal digits. What the firmware sends for it goes to the standard output, a line for each packet, and an empty
 * line. "reboot" begins it anew. It says an empty line when it has begun; its clock begins with the first time that it
 * is told. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "host.h"

size_t steps_room;

static uint64_t began, now;
static bool told;

uint64_t steps_now(void) { return now - began; }

static int digit(char c) { return c <= '9' ? c - '0' : c - 'a' + 10; }

void steps_run(char **argv) {
  static char line[2 * PACKET_MAX + 64];
  printf("\n");
  fflush(stdout);
  while (fgets(line, sizeof line, stdin)) {
    if (!strcmp(line, "reboot\n")) {
      execv("/proc/self/exe", argv);
      die("it does not begin anew");
    }
    char *p;
    now = strtoull(line, &p, 10);
    steps_room = strtoull(p, &p, 10);
    if (!told) began = now;
    told = true;
    pins_pump();
    pins_settle();
    uint8_t packet[PACKET_MAX];
    size_t n = 0;
    for (p++; *p != '-' && *p != '\n' && n < sizeof packet; p += 2)
      packet[n++] = (uint8_t)(digit(p[0]) << 4 | digit(p[1]));
    if (n) link_packet(packet, n);
    core_poll();
    pins_settle();
    printf("\n");
    fflush(stdout);
  }
  exit(0);
}
