/* The self-test: outputs that are wired to inputs are driven one after another, and the edges that the inputs measure are
 * held against those that were armed. */
#ifndef SELFTEST_H
#define SELFTEST_H

#include "board.h"

/* A host has come, who has not said anything of it. */
void selftest_greeted(void);

/* Whether an array may be run: the test was passed for this build and these pins, or need not be. */
bool selftest_allows(void);

/* Takes what the host wants of it, and answers, or begins. */
void selftest_take(const uint8_t *p);

/* Goes on with it; false: it is over, or none was begun, and every line is inactive. */
bool selftest_poll(void);

/* Breaks it off. */
void selftest_stop(void);

#endif
