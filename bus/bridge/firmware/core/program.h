/* Programs: their check, once, and their walk to pin events. */
#ifndef PROGRAM_H
#define PROGRAM_H

#include "board.h"

struct program_facts {
  uint16_t ops, slots;
  uint64_t duration;
  const uint8_t *bounds; /* of the slots */
  const uint8_t *first;  /* operation */
};

/* Reads the head of a program that was found sound. */
void program_facts(const uint8_t *p, struct program_facts *f);

/* The size of an operation in bytes, and how long it lasts. */
size_t program_op(const uint8_t *p, uint64_t *duration);

/* One pin event of a walk, and what it belongs to. */
struct program_event {
  struct wire_pin_event pin;
  uint16_t op;
  uint16_t row, column; /* in the window, of samples */
  bool begins;          /* it is the first of its operation */
  uint64_t offset;      /* how long after the operation began it begins */
};

/* A walk through a program from its start to its end. */
struct program_walk {
  const uint8_t *p;
  const int32_t *values;
  uint16_t op, ops;
  uint64_t at;      /* when the operation begins */
  uint64_t mark;    /* for how long a mark is active; 0: light is not marked */
  bool marked;      /* that of the operation is */
  uint16_t stage;   /* within it */
  bool open;        /* an operation is under way */
  struct wire_scan scan;
  uint32_t row, column;     /* of the window: the next sample */
  uint32_t first_row, first_column; /* of the lattice, where the window begins */
  uint64_t clock_at;        /* counters: when the next pulses begin */
  uint64_t pulses;          /* that are left before the row's first sample */
  uint32_t passed;          /* pixels of the counter's row */
};

/* A mark is active for so many ticks; 0: light is not marked. */
void program_begin(struct program_walk *w, const uint8_t *p, uint64_t start, const int32_t *values, uint64_t mark);

/* Gives the next pin event; false at the end. */
bool program_next(struct program_walk *w, struct program_event *e);

/* How far the judging of a program has come: WIRE_REPLY_OK, or what is wrong, and with which operation. */
struct program_judgement {
  uint8_t code;
  uint32_t op;
  uint32_t events;
  uint64_t spent; /* until what was walked through is armed */
  struct program_walk walk;
};

/* How many events are walked through before others have their turn. */
#ifndef CORE_SLICE
#define CORE_SLICE 64
#endif

/* Begins to judge a program: reads its operations, of which there are few, but does not walk through their events. */
void program_judge(struct program_judgement *j, const uint8_t *p, size_t n);

/* Goes on for a slice, and reports whether it has come to its end. What is sound then is trusted. */
bool program_judge_on(struct program_judgement *j);

#endif
