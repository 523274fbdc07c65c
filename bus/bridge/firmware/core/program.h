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

/* Judges a program: WIRE_REPLY_OK, or what is wrong, and with which operation. After that it is trusted. */
uint8_t program_judge(const uint8_t *p, size_t n, uint32_t *op);

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
  uint16_t stage;   /* within it */
  bool open;        /* an operation is under way */
  struct wire_scan scan;
  uint32_t row, column;     /* of the window: the next sample */
  uint32_t first_row, first_column; /* of the lattice, where the window begins */
  uint64_t clock_at;        /* counters: when the next pulses begin */
  uint64_t pulses;          /* that are left before the row's first sample */
  uint32_t passed;          /* pixels of the counter's row */
};

void program_begin(struct program_walk *w, const uint8_t *p, uint64_t start, const int32_t *values);

/* Gives the next pin event; false at the end. */
bool program_next(struct program_walk *w, struct program_event *e);

#endif
