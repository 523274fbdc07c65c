/* The queue of runs: what waits is armed ahead of its time, what is over is told. */
#ifndef RUNS_H
#define RUNS_H

#include "board.h"

void runs_begin(void);

/* The host knows nothing of runs before. */
void runs_greeted(void);

/* A message of the host. */
void runs_submit(const uint8_t *p, size_t n, uint32_t seq);
void runs_cancel(const uint8_t *p);

/* Recalls whatever is submitted, or takes it again: the host has said that it stops ahead of the release that follows. */
void runs_hold(bool on);

/* Makes all lines inactive. What runs is broken off with a code, what waits is recalled; the host is told, or not.
 * Returns when they were inactive. */
uint64_t runs_break_off(uint8_t code, bool told);

/* Takes what is over and arms what is to come. */
void runs_poll(void);

/* How many wait or are under way, and whether one of them runs a program. */
unsigned runs_count(void);
bool runs_use(unsigned program);

#endif
