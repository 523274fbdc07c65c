/* The core of the firmware: sessions, the store of programs, the queue of runs. It has no heap, no recursion and no
 * clock of its own, and knows nothing of a board but board.h. */
#ifndef CORE_H
#define CORE_H

#include "board.h"

/* How many programs the store holds, at most 255, and their bytes; a board may ask for others. */
#ifndef CORE_PROGRAMS
#define CORE_PROGRAMS 64
#endif
#ifndef CORE_STORE
#define CORE_STORE 16384
#endif

enum { CORE_MAX_OPS = 4096 }; /* of one program */

/* The number of runs that wait or run; a board may ask for another. */
#ifndef CORE_RUNS
#define CORE_RUNS 16
#endif

/* Bytes of the link's ring that must be free before anything is done of which the host is told: what one event or
 * message makes, at most, and the results of all runs beside it, each frame with its record before it. */
#define CORE_LINK_RESERVE (4096 + CORE_RUNS * (12 + WIRE_HEADER_SIZE + WIRE_RESULT_SIZE))

/* The number of pin events and marks that are armed at once; a board may ask for another. */
#ifndef CORE_ARMED
#define CORE_ARMED 64
#endif

#ifdef MUTANTS
/* What the firmware does wrong, for tests which must notice it. */
enum {
  MUTANT_NONE = 0,
  MUTANT_ROW_TICK,     /* the second row of a readout begins a tick late */
  MUTANT_ROW_US,       /* the same, a microsecond */
  MUTANT_SELECT,       /* selects are 5 us late */
  MUTANT_STROBE,       /* strobes are 100 us late */
  MUTANT_PATTERNS,     /* writes to the pattern registers are dropped */
  MUTANT_LANES,        /* the first two lanes are swapped */
  MUTANT_TWICE,        /* strobes are given twice */
  MUTANT_RELEASE,      /* releases are 1 ms late */
  MUTANT_MARK,         /* marks are 1 us late */
  MUTANTS_END
};
extern unsigned core_mutant;
#endif

void core_begin(void);

/* The version of the protocol; firmware with mutants can be told to have another. */
#ifdef MUTANTS
extern uint16_t core_major, core_minor;
#define CORE_MAJOR core_major
#define CORE_MINOR core_minor
#else
#define CORE_MAJOR WIRE_MAJOR
#define CORE_MINOR WIRE_MINOR
#endif

/* No peer of the link. */
enum { CORE_NOBODY = 255 };

/* Takes one frame that has arrived from a peer of the link. */
void core_frame(uint8_t peer, const uint8_t *frame, size_t n);

/* Says that the link to a peer was reset. */
void core_link_reset(uint8_t peer);

/* The peer who is the host; CORE_NOBODY where none is. */
uint8_t core_peer(void);

/* Does what there is to do. It is called when frames have arrived, and at least once in the board's latency. */
void core_poll(void);

/* Reports whether runs wait or are under way, or a program is being judged: then it is to be called often. */
bool core_busy(void);

/* Answers a message of the host; the hash is that of the program that is meant, or another, or none. */
void core_reply(uint8_t to, uint32_t seq, uint8_t code, unsigned index, uint32_t detail);
void core_reply_of(uint8_t to, uint32_t seq, uint8_t code, unsigned index, uint32_t detail, const uint8_t *hash);

#endif
