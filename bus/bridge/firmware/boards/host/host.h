/* The parts of the host build: the firmware as a process. */
#ifndef HOST_H
#define HOST_H

#include "../../core/core.h"
#include "../../core/packet.h"

/* Ends the process with a message, as a board without power. */
_Noreturn void die(const char *what);

/* Opens a socket: unix:PATH, tcp:HOST:PORT or udp:HOST:PORT. */
int open_socket(const char *address, bool listens);

/* The pins: a connection to the process that simulates what is behind them. */
void pins_connect(const char *address, uint32_t tick_ns);
int pins_fd(void);
bool pins_waiting(void); /* for room to write */
void pins_pump(void);    /* carries out what is due, takes what has come */
void pins_settle(void);  /* waits until the pins have taken and answered everything, for a second at most */

/* The link to the host. */
bool link_listen(const char *address);      /* whether it may lose something */
unsigned link_fds(int *fds, short *events); /* at most three */
void link_pump(void);                       /* takes what has come */
void link_flush(void);                      /* sends what there is */
void link_packet(uint8_t *packet, size_t n); /* takes one that has come otherwise */

/* Time and packets come over the standard input: see steps.c. */
extern size_t steps_room; /* bytes that the link takes */
uint64_t steps_now(void); /* in nanoseconds, from when the first one was told; 0 before */
_Noreturn void steps_run(char **argv);

/* Faults of the link, in a direction: so many packets of a thousand are lost, and as many doubled, late or spoiled. */
struct faults {
  uint32_t permille;
  uint64_t state;
  unsigned behind; /* after so many packets the late one comes; 0: none is */
  uint8_t late_peer;
  size_t late_n;
  uint8_t late[PACKET_MAX];
};
extern struct faults faults_in, faults_out;

typedef void (*fault_to)(uint8_t peer, const uint8_t *packet, size_t n);

void fault_seed(uint32_t permille, uint32_t seed);

/* Passes a packet on, or does not. */
void fault_pass(struct faults *f, uint8_t peer, uint8_t *packet, size_t n, fault_to to);

#endif
