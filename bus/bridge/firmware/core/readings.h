/* What the board measures of itself and its array, held against its limits and told. */
#ifndef READINGS_H
#define READINGS_H

#include "board.h"

/* Why every line is to be inactive: what the board says, or WIRE_SAFE_LIMIT where a reading is outside its limits. */
uint8_t readings_hazard(void);

/* Tells all of them. */
void readings_tell(void);

/* How many bytes of the link's ring that takes. */
size_t readings_size(void);

/* Tells them once a second. */
void readings_poll(void);

#endif
