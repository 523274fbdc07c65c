/* Which pins of the board are wired to what, as the host says. They are changed in the safe state alone. */
#ifndef PINS_H
#define PINS_H

#include "board.h"

/* A host has come, who has not said anything of pins. */
void pins_greeted(void);

/* Takes the pins from the host, and answers. */
void pins_take(const uint8_t *p, uint32_t seq);

/* Whether the board has pins to run an array with: those of this session, or its own where the host has said nothing.
 * The answer is 0, or why it has not. */
uint8_t pins_ready(void);

/* What the pins are told apart by; 0 of the board's own numbering. Outputs and inputs of signals. */
uint32_t pins_digest(void);
const uint8_t *pins_outputs(void);
const uint8_t *pins_loops(void);

#endif
