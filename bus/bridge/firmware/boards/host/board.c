/* The host build: the clock, the facts and the loop. Its hardware is modelled: what was armed in time happens exactly at
 * its time, whenever this process gets to run, as it does where timers drive pins. */
#include <errno.h>
#include <netdb.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/random.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <time.h>
#include <unistd.h>

#include "host.h"

static struct board_facts facts = {.tick_ns = 40, .lines = 64, .lanes = WIRE_MAX_LANES};
static uint64_t began;

void die(const char *what) {
  fprintf(stderr, "bridge firmware: %s\n", what);
  exit(1);
}

static uint64_t monotonic(void) {
  struct timespec t;
  clock_gettime(CLOCK_MONOTONIC, &t);
  return (uint64_t)t.tv_sec * 1000000000u + (uint64_t)t.tv_nsec;
}

const struct board_facts *board_facts(void) { return &facts; }

static bool stepped;

uint64_t board_now(void) { return (stepped ? steps_now() : monotonic() - began) / facts.tick_ns; }

/* The stop input and what is measured are two signals to the process: each is active, and then not, in turns. */
static volatile sig_atomic_t stopped, outside;

static void on_signal(int which) {
  if (which == SIGUSR1)
    stopped = !stopped;
  else
    outside = !outside;
}

uint8_t board_hazard(void) { return stopped ? WIRE_SAFE_STOP : outside ? WIRE_SAFE_LIMIT : 0; }

/* What it measures is in a file, which is read anew now and then: a line for each, with its name, what it is of (V, A or
 * C), its value and its limits, in thousandths. */
static const char *readings_file;
static struct wire_reading readings[WIRE_MAX_READINGS];
static unsigned readings_n;

unsigned board_readings(void) { return readings_n; }

void board_reading(unsigned i, struct wire_reading *r) { *r = readings[i]; }

static void measure(void) {
  static uint64_t next;
  if (!readings_file || board_now() < next) return;
  next = board_now() + 20000000u / facts.tick_ns;
  FILE *f = fopen(readings_file, "r");
  if (!f) return; /* it is written just now */
  char name[17], kind;
  int value, low, high;
  unsigned k = 0;
  while (k < WIRE_MAX_READINGS && fscanf(f, "%16s %c %d %d %d", name, &kind, &value, &low, &high) == 5) {
    struct wire_reading r = {.value = value, .low = low, .high = high};
    r.kind = kind == 'V' ? WIRE_READING_VOLTS : kind == 'A' ? WIRE_READING_AMPERES : WIRE_READING_CELSIUS;
    memcpy(r.name, name, strlen(name));
    readings[k++] = r;
  }
  fclose(f);
  if (k) readings_n = k;
}

/* What passed the self-test is kept in a file, where one is given. */
static const char *memory;
static uint32_t kept;

void board_keep(uint32_t number) {
  uint8_t b[4];
  kept = number;
  if (!memory) return;
  FILE *f = fopen(memory, "wb");
  wire_put_u32(b, number);
  if (!f || fwrite(b, 1, sizeof b, f) != sizeof b || fclose(f)) die("what is to be kept cannot be written");
}

uint32_t board_kept(void) { return kept; }

static void remember(void) {
  uint8_t b[4];
  FILE *f = memory ? fopen(memory, "rb") : NULL;
  if (!f) return;
  if (fread(b, 1, sizeof b, f) == sizeof b) kept = wire_get_u32(b);
  fclose(f);
}

static int unix_socket(const char *path, bool listens) {
  struct sockaddr_un a = {.sun_family = AF_UNIX};
  if (strlen(path) >= sizeof a.sun_path) die("the path of a socket is too long");
  strcpy(a.sun_path, path);
  int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
  if (fd < 0) return -1;
  if (listens) unlink(path);
  if (listens ? bind(fd, (struct sockaddr *)&a, sizeof a) || listen(fd, 4)
              : connect(fd, (struct sockaddr *)&a, sizeof a)) {
    close(fd);
    return -1;
  }
  return fd;
}

static int ip_socket(const char *address, int type, bool listens) {
  char host[256];
  const char *colon = strrchr(address, ':');
  if (!colon || (size_t)(colon - address) >= sizeof host) die("an address is tcp:HOST:PORT or udp:HOST:PORT");
  memcpy(host, address, (size_t)(colon - address));
  host[colon - address] = 0;
  struct addrinfo hints = {.ai_socktype = type}, *found;
  if (getaddrinfo(host, colon + 1, &hints, &found)) return -1;
  int fd = socket(found->ai_family, type | SOCK_CLOEXEC, 0), one = 1;
  setsockopt(fd, SOL_SOCKET, SO_REUSEADDR, &one, sizeof one);
  if (fd >= 0 && (listens ? bind(fd, found->ai_addr, found->ai_addrlen) || (type == SOCK_STREAM && listen(fd, 4))
                          : connect(fd, found->ai_addr, found->ai_addrlen))) {
    close(fd);
    fd = -1;
  }
  freeaddrinfo(found);
  return fd;
}

int open_socket(const char *address, bool listens) {
  if (!strncmp(address, "unix:", 5)) return unix_socket(address + 5, listens);
  if (!strncmp(address, "tcp:", 4)) return ip_socket(address + 4, SOCK_STREAM, listens);
  if (!strncmp(address, "udp:", 4)) return ip_socket(address + 4, SOCK_DGRAM, listens);
  die("an address is unix:PATH, tcp:HOST:PORT, udp:HOST:PORT or pty:PATH");
}

static uint32_t number(const char *text) {
  char *end;
  errno = 0;
  unsigned long v = strtoul(text, &end, 10);
  if (errno || *end || end == text || !v || v > 1000000000u) die("a number from 1 to 1000000000 is wanted");
  return (uint32_t)v;
}

static const char usage[] =
    "usage: host --link unix:PATH|tcp:HOST:PORT|udp:HOST:PORT|pty:PATH --pins unix:PATH|tcp:HOST:PORT [--tick NS]\n"
    "            [--latency US] [--link-faults PERMILLE] [--seed N] [--real yes] [--memory FILE]\n"
    "            [--readings FILE]\n"
    "The firmware of the bridge as a process. It listens on the link for facetd and drives its pins at the address\n"
    "where 'facetd chips' listens. A tick of its clock is 40 ns; it may be kept from running for 30000 us.\n"
    "pty:PATH is a pseudo-terminal that stands for a serial line: bridge:serial:PATH. Of its packets, and those of\n"
    "udp, so many of a thousand are lost, and as many doubled, spoiled, or late. SIGUSR1 stands for the stop input,\n"
    "SIGUSR2 for a supply outside its limits: each is active, and then not, in turns. With --real yes it is as\n"
    "careful as a board that drives a real array: it takes none before it has passed its self-test, which it\n"
    "remembers in FILE. Of --readings each line is a supply, current or temperature that it measures: its name, V, A\n"
    "or C, its value, and its lower and upper limit, in thousandths. The file is read again and again.\n";

int main(int argc, char **argv) {
  const char *link = NULL, *pins = NULL;
  uint64_t latency_us = 30000;
  uint32_t permille = 0, seed = 1;
  for (int i = 1; i < argc; i++) {
    if (!strcmp(argv[i], "--help")) {
      fputs(usage, stdout);
      return 0;
    }
    if (i + 1 == argc) {
      fputs(usage, stderr);
      return 2;
    }
    if (!strcmp(argv[i], "--link"))
      link = argv[++i];
    else if (!strcmp(argv[i], "--pins"))
      pins = argv[++i];
    else if (!strcmp(argv[i], "--tick"))
      facts.tick_ns = number(argv[++i]);
    else if (!strcmp(argv[i], "--latency"))
      latency_us = number(argv[++i]);
    else if (!strcmp(argv[i], "--link-faults"))
      permille = number(argv[++i]);
    else if (!strcmp(argv[i], "--seed"))
      seed = number(argv[++i]);
    else if (!strcmp(argv[i], "--memory"))
      memory = argv[++i];
    else if (!strcmp(argv[i], "--readings"))
      readings_file = argv[++i];
    else if (!strcmp(argv[i], "--real"))
      facts.real = !strcmp(argv[++i], "yes");
#ifdef MUTANTS
    else if (!strcmp(argv[i], "--mutant"))
      core_mutant = number(argv[++i]);
    else if (!strcmp(argv[i], "--protocol")) { /* a hundred times the major version, and the minor one */
      uint32_t version = number(argv[++i]);
      core_major = (uint16_t)(version / 100);
      core_minor = (uint16_t)(version % 100);
    }
#endif
    else {
      fputs(usage, stderr);
      return 2;
    }
  }
  if (!link || !pins) {
    fputs(usage, stderr);
    return 2;
  }
  signal(SIGPIPE, SIG_IGN);
  signal(SIGUSR1, on_signal);
  signal(SIGUSR2, on_signal);
  if (getrandom(&facts.boot, sizeof facts.boot, 0) != sizeof facts.boot || !facts.boot) facts.boot = 1;
  memcpy(facts.build, "host", 4);
  facts.latency = latency_us * 1000 / facts.tick_ns;
  facts.arm_cost = (1000 + facts.tick_ns - 1) / facts.tick_ns;
  facts.release = (10000 + facts.tick_ns - 1) / facts.tick_ns;
  facts.edge_error = 1;
  began = monotonic();
  stepped = !strcmp(link, "steps:");
  remember();
  pins_connect(pins, facts.tick_ns);
  if (link_listen(link)) facts.resend = 20000000 / facts.tick_ns;
  fault_seed(permille, seed);
  measure();
  core_begin();
  if (stepped) steps_run(argv);
  for (;;) {
    int fds[3];
    short events[3];
    struct pollfd p[4] = {{.fd = pins_fd(), .events = (short)(POLLIN | (pins_waiting() ? POLLOUT : 0))}};
    unsigned n = link_fds(fds, events);
    for (unsigned i = 0; i < n; i++) p[1 + i] = (struct pollfd){.fd = fds[i], .events = events[i]};
    struct timespec wait = {0, core_busy() ? 500000 : 5000000};
    ppoll(p, 1 + n, &wait, NULL);
    measure();
    pins_pump();
    link_pump();
    core_poll();
    link_flush();
  }
}
