/* The parts of the host build: the firmware as a process. */
#ifndef HOST_H
#define HOST_H

#include "../../core/core.h"

/* Ends the process with a message, as a board without power. */
_Noreturn void die(const char *what);

/* Opens a socket: unix:PATH or tcp:HOST:PORT. */
int open_socket(const char *address, bool listens);

/* The pins: a connection to the process that simulates what is behind them. */
void pins_connect(const char *address, uint32_t tick_ns);
int pins_fd(void);
bool pins_waiting(void); /* for room to write */
void pins_pump(void);    /* carries out what is due, takes what has come */

/* The link to the host. */
void link_listen(const char *address);
unsigned link_fds(int *fds, short *events); /* at most two */
void link_pump(void);

#endif
