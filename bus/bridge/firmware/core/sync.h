/* What connects a device to the rest of a robot: an output that marks light, inputs whose edges are told. */
#ifndef SYNC_H
#define SYNC_H

#include "board.h"

/* Another session has begun, which has said nothing yet. */
void sync_greeted(void);

/* Takes which pins those are; the answer is sent. */
void sync_take(const uint8_t *p, uint32_t seq);

/* How long a mark lasts, in ticks; 0: there is none. */
uint64_t sync_mark(void);

/* Begins and ends to watch the inputs. */
void sync_begin(void);
void sync_end(void);
bool sync_watches(void);

/* Whether the host takes counts of edges that were missed when no other came. */
void sync_counts(bool on);

/* Tells of the edges that there were. */
void sync_poll(void);

#endif
