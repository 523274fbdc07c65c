/* The store of programs. What was judged sound never changes, and stays until it is dropped. */
#ifndef STORE_H
#define STORE_H

#include "board.h"

void store_begin(void);

/* The sound program at a place; NULL where there is none. */
const uint8_t *store_program(unsigned index);

/* The hash of what is at a place; NULL where nothing is. */
const uint8_t *store_hash(unsigned index);

/* A message of the host: a part of a program, or that one is dropped. */
void store_part(const uint8_t *p, size_t n, uint32_t seq);
void store_drop(const uint8_t *p, uint32_t seq);

/* A host has come: what the one before had begun to send is given up. Returns how many sound programs there are. */
unsigned store_greeted(void);

/* Goes on to judge a program that has arrived, for a while. */
void store_poll(void);

/* Whether one is being judged. */
bool store_busy(void);

#endif
