/* The core of the firmware: sessions, the store of programs, the queue of runs. It has no heap, no recursion and no
 * clock of its own, and knows nothing of a board but board.h. */
#ifndef CORE_H
#define CORE_H

#include "board.h"

enum {
  CORE_PROGRAMS = 64,     /* that the store holds */
  CORE_STORE = 16384,     /* bytes of programs */
  CORE_MAX_OPS = 4096     /* of one program */
};

/* The number of runs that wait or run; a board may ask for another. */
#ifndef CORE_RUNS
#define CORE_RUNS 16
#endif

/* Bytes of the link that must be free before more is taken from it: what one event or message makes, at most, and the
 * results of all runs beside it, each frame with its length before it. */
#define CORE_LINK_RESERVE (4096 + CORE_RUNS * (4 + WIRE_HEADER_SIZE + WIRE_RESULT_SIZE))

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
  MUTANTS_END
};
extern unsigned core_mutant;
#endif

void core_begin(void);

/* Takes one frame that has arrived. */
void core_frame(const uint8_t *frame, size_t n);

/* Says that the link was reset. */
void core_link_reset(void);

/* Does what there is to do. It is called when frames have arrived, and at least once in the board's latency. */
void core_poll(void);

/* Reports whether runs wait or are under way. */
bool core_busy(void);

#endif
