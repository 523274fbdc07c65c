/* What the core needs of a board. Times are ticks of the device's clock, which begins at 0 when the device begins and
 * never runs backwards. Nothing here waits, but board_release for what its contract says. */
#ifndef BOARD_H
#define BOARD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "wire.h"

/* What a board is; it does not change. */
struct board_facts {
  uint32_t tick_ns;
  uint32_t boot;     /* another number each time that the device begins, never 0 */
  uint8_t build[16]; /* tells builds apart */
  uint64_t latency;  /* the longest that the core is kept from running, in ticks */
  uint64_t arm_cost; /* of one pin event, at most, in ticks */
  uint64_t release;  /* from the call of board_release to all lines inactive, at most, in ticks */
  uint64_t resend;   /* after so many ticks a frame that the host has not acknowledged is sent again, each time after
                      * twice as many, until the host is given up; 0: the link loses nothing */
  uint64_t edge_error; /* by how much an edge may be measured at another time than it happened, in ticks */
  uint8_t lines, lanes;
  bool real;     /* it drives what can take harm: no array before its self-test was passed for this build and pins */
  bool emulated; /* the clock does not go as time does */
};

/* What became of a pin event. */
struct board_done {
  uint64_t at;           /* its time, as measured: of samples that of the first */
  bool whole;            /* false: a release cut it short */
  const uint16_t *codes; /* of samples: those of each lane, lane by lane; they stay until the next call */
};

const struct board_facts *board_facts(void);

/* Takes no longer than a few instructions. */
uint64_t board_now(void);

/* How many pin events the queue that the hardware times has room for. */
unsigned board_room(void);

/* When the first of a pin event happens: where the first sample is moved to as well, that is the move. */
static inline uint64_t board_begins(const struct wire_pin_event *e) { return e->first ? e->at - e->lead : e->at; }

/* Puts a pin event into the queue. Events come in the order of their times. False: board_begins of it has passed, and
 * nothing of it happens. Strobes and marks are active for their width, clock pulses for half of theirs. A write shows number and
 * value from its time to that of the next one; the strobe that writes them is active for the middle half of its width. */
bool board_arm(const struct wire_pin_event *e);

/* Takes the first event that is over. False: there is none yet. */
bool board_done(struct board_done *d);

/* Makes all lines inactive and voids what is armed; returns when they were inactive. Afterwards board_done tells of
 * every event that had begun, and of no other. */
uint64_t board_release(void);

/* Why every line is to be inactive whatever the host wants: WIRE_SAFE_STOP while the stop input is active, WIRE_SAFE_LIMIT
 * while a supply, current or temperature is outside its limits; 0: it is not. A stop input makes the lines inactive by
 * itself, in hardware; the core then voids what is armed, and stays in its safe state until this is over and a host
 * configures it again. */
uint8_t board_hazard(void);

/* How many supplies, currents and temperatures the board measures, at most WIRE_MAX_READINGS, and what one of them was
 * last: kind, name, value and limits; the core fills in the rest. Outside its limits the core makes every line inactive.
 * It is asked for all of them in every turn. */
unsigned board_readings(void);
void board_reading(unsigned i, struct wire_reading *r);

/* Says which pins are wired to what, while every line is inactive and nothing is armed: signals, with their inputs for a
 * self-test, and lanes. No pin serves twice, and converters are the board's. NULL is the board's own numbering. False: the
 * board lacks one of the pins, or has no numbering of its own; then the core takes no configuration. It may take 10 ms. */
bool board_pins(const struct wire_pins *pins);

/* An edge that an input has seen. */
struct board_edge {
  uint64_t at;
  uint8_t input, level;
};

/* Says which inputs are to tell of their edges, n of them; what was seen before is forgotten. Their levels are those of
 * the pins, so that an output that is wired to one shows there. */
void board_watch(const uint8_t *inputs, size_t n);

/* Takes the next edge, in the order of their times. False: there is none. */
bool board_edge(struct board_edge *e);

/* Up to when every edge was given out, or waits to be. */
uint64_t board_edges_until(void);

/* Says which pin is the output that marks light, and which are inputs from the rest of a robot, after board_pins, of which
 * they are none. False: the board lacks one of them. board_watch says of which inputs edges are told. */
bool board_sync(const struct wire_sync *s);

/* Keeps a number beyond the end of power, where the board can, or until then, and returns it; 0 where none was kept. The
 * core keeps what has passed the self-test, and 0 once it has failed. */
void board_keep(uint32_t number);
uint32_t board_kept(void);

/* How many bytes of one frame the link takes now. A board tells peers of its link apart by small numbers: a stream has
 * one for each connection, so that who comes second can be told why the device is not his. */
size_t board_link_room(uint8_t peer);

/* Sends one frame, for which there is room. */
void board_send(uint8_t peer, const uint8_t *frame, size_t n);

#endif
