#include "program.h"

#include "core.h"

/* The longest time that an operation may be told to take: sums of them over a program, and of a program and the time
 * of the device's clock, stay below 2^63. */
#define LONGEST ((uint64_t)1 << 46)

/* The most pin events of a program, so that its check ends. */
#define MOST_EVENTS ((uint32_t)1 << 20)

void program_facts(const uint8_t *p, struct program_facts *f) {
  struct wire_head h;
  wire_head_get(p, &h);
  f->ops = h.ops;
  f->slots = h.slots;
  f->duration = h.duration;
  f->bounds = p + WIRE_HEAD_SIZE;
  f->first = f->bounds + (size_t)h.slots * WIRE_SLOT_SIZE;
}

static size_t op_size(uint8_t kind) {
  switch (kind) {
  case WIRE_OP_SELECT:
    return WIRE_SELECT_SIZE;
  case WIRE_OP_WRITE:
    return WIRE_WRITE_SIZE;
  case WIRE_OP_STROBE:
    return WIRE_STROBE_SIZE;
  case WIRE_OP_WAIT:
    return WIRE_WAIT_SIZE;
  case WIRE_OP_SCAN:
    return WIRE_SCAN_SIZE;
  default:
    return 0;
  }
}

size_t program_op(const uint8_t *p, uint64_t *duration) {
  size_t n = op_size(p[0]);
  *duration = wire_get_u64(p + n - 8); /* which is the last field of all of them */
  return n;
}

/* Bounds of a value that a slot gives; those of no slot are 0. */
struct bounds {
  int64_t low, high;
};

static bool slot_bounds(const struct program_facts *f, uint8_t slot, struct bounds *b) {
  b->low = b->high = 0;
  if (slot == 0) return true;
  if (slot > f->slots) return false;
  struct wire_slot s;
  wire_slot_get(f->bounds + (size_t)(slot - 1) * WIRE_SLOT_SIZE, &s);
  b->low = s.low;
  b->high = s.high;
  return true;
}

static bool axis_inside(int64_t first, struct bounds slot, uint32_t n, uint32_t step, uint32_t size) {
  return n > 0 && step > 0 && first + slot.low >= 0 && first + slot.high + (int64_t)(n - 1) * step < (int64_t)size;
}

/* How long a counter takes from its reset to a pixel: pulses, and the time from row to row. */
static uint64_t counted(const struct wire_scan *s, uint64_t row, uint64_t column) {
  return (row * s->lattice_columns + column + 1) * s->step + row * s->row_time;
}

/* The time from the last move within a row to its sample suffices for the move, and the row's and the last sample's
 * times lie within the operation. Counts of rows and columns are below 2^16 and times below LONGEST, but their products
 * are not: each factor is checked first. */
static bool scan_times(const struct wire_scan *s, struct bounds row, struct bounds column) {
  if (s->step > LONGEST || s->row_time > LONGEST || s->settle > LONGEST || s->interval > LONGEST ||
      s->row_interval > LONGEST || s->lead > LONGEST || s->row_lead > LONGEST || s->conversion > LONGEST)
    return false;
  uint64_t most = s->duration;
  bool counts = s->flags & WIRE_SCAN_COUNTS;
  uint64_t moves = (uint64_t)s->column_step * s->step;
  uint64_t row_moves = s->row_time + s->step;
  uint64_t first = row_moves;
  if (counts) {
    uint64_t cells = (uint64_t)s->lattice_rows * s->lattice_columns;
    if (s->step > LONGEST / cells || s->row_time > LONGEST / s->lattice_rows) return false;
    uint64_t passed = (uint64_t)s->row_step * s->lattice_columns - (uint64_t)(s->columns - 1) * s->column_step;
    row_moves = passed * s->step + (uint64_t)s->row_step * s->row_time;
    first = counted(s, (uint64_t)(s->row + row.high), (uint64_t)(s->column + column.high));
  } else {
    moves = s->step;
  }
  if (s->columns > 1 && (s->lead < moves || s->interval < s->lead)) return false;
  if (s->columns > 1 && s->interval > most / (uint64_t)(s->columns - 1)) return false;
  uint64_t in_row = (uint64_t)(s->columns - 1) * s->interval;
  if (s->rows > 1 && (s->row_lead < row_moves || s->row_interval < in_row + s->row_lead)) return false;
  if (s->rows > 1 && s->row_interval > most / (uint64_t)(s->rows - 1)) return false;
  uint64_t end = first + s->settle + (uint64_t)(s->rows - 1) * s->row_interval + in_row + s->conversion;
  return end <= most;
}

static bool sound_scan(const struct program_facts *f, const uint8_t *p) {
  struct wire_scan s;
  struct bounds row, column;
  wire_scan_get(p, &s);
  if (!slot_bounds(f, s.row_slot, &row) || !slot_bounds(f, s.column_slot, &column)) return false;
  if (s.flags & ~(WIRE_SCAN_COUNTS | WIRE_SCAN_LIGHT) || !s.lanes || s.lanes >> board_facts()->lanes) return false;
  if (!s.lattice_rows || !s.lattice_columns) return false;
  return axis_inside(s.row, row, s.rows, s.row_step, s.lattice_rows) &&
         axis_inside(s.column, column, s.columns, s.column_step, s.lattice_columns) && scan_times(&s, row, column);
}

static bool sound_strobe(const struct program_facts *f, const uint8_t *p) {
  struct wire_strobe s;
  struct bounds b;
  wire_strobe_get(p, &s);
  if (!slot_bounds(f, s.slot, &b)) return false;
  if (s.strobe < WIRE_STROBE_LOAD || s.strobe > WIRE_STROBE_EXPOSE) return false;
  if (s.width > s.duration || s.delay > s.duration - s.width) return false;
  return s.slot == 0 || (b.low >= 0 && (uint64_t)b.low >= s.width && (uint64_t)b.high <= s.duration);
}

static bool sound_op(const struct program_facts *f, const uint8_t *p) {
  struct wire_select select;
  struct wire_write write;
  struct bounds b;
  switch (p[0]) {
  case WIRE_OP_SELECT:
    wire_select_get(p, &select);
    if (board_facts()->lines < 64 && select.word >> board_facts()->lines) return false;
    return select.dead <= select.duration;
  case WIRE_OP_WRITE:
    wire_write_get(p, &write);
    return slot_bounds(f, write.slot, &b) && b.high - b.low < 256 && b.low >= INT8_MIN && b.high <= UINT8_MAX;
  case WIRE_OP_STROBE:
    return sound_strobe(f, p);
  case WIRE_OP_WAIT:
    return true;
  default:
    return sound_scan(f, p);
  }
}

static uint8_t judge_ops(const uint8_t *p, size_t n, uint32_t *op) {
  if (n < WIRE_HEAD_SIZE) return WIRE_REPLY_UNSOUND;
  struct program_facts f;
  program_facts(p, &f);
  if (!f.ops || f.ops > CORE_MAX_OPS || f.slots > WIRE_MAX_SLOTS) return WIRE_REPLY_UNSOUND;
  size_t i = WIRE_HEAD_SIZE + (size_t)f.slots * WIRE_SLOT_SIZE;
  if (i > n) return WIRE_REPLY_UNSOUND;
  for (uint16_t s = 1; s <= f.slots; s++) {
    struct bounds b;
    if (!slot_bounds(&f, (uint8_t)s, &b) || b.low > b.high) return WIRE_REPLY_UNSOUND;
  }
  uint64_t sum = 0;
  for (uint16_t k = 0; k < f.ops; k++) {
    *op = k;
    if (i >= n) return WIRE_REPLY_UNSOUND;
    size_t size = op_size(p[i]);
    if (!size || size > n - i) return WIRE_REPLY_UNSOUND;
    uint64_t duration;
    program_op(p + i, &duration);
    if (duration > LONGEST || !sound_op(&f, p + i)) return WIRE_REPLY_UNSOUND;
    sum += duration;
    i += size;
  }
  return i != n || sum != f.duration ? WIRE_REPLY_UNSOUND : WIRE_REPLY_OK;
}

/* The lowest values of a program's slots: there is no denser run by much, and late ones underrun. */
static int32_t least[WIRE_MAX_SLOTS];

void program_judge(struct program_judgement *j, const uint8_t *p, size_t n) {
  memset(j, 0, sizeof *j);
  j->code = judge_ops(p, n, &j->op);
  if (j->code != WIRE_REPLY_OK) return;
  struct program_facts f;
  program_facts(p, &f);
  for (uint16_t i = 0; i < f.slots; i++) least[i] = wire_get_i32(f.bounds + (size_t)i * WIRE_SLOT_SIZE);
  program_begin(&j->walk, p, 0, least, 1); /* as if it were marked: it is kept for whoever comes */
}

/* Arming an event takes its time, and so many are armed ahead: a program in which the events come so thick for so long
 * that the queue runs empty cannot be run. */
bool program_judge_on(struct program_judgement *j) {
  if (j->code != WIRE_REPLY_OK) return true;
  uint64_t cost = board_facts()->arm_cost;
  struct program_event e;
  for (unsigned i = 0; i < CORE_SLICE; i++) {
    if (!program_next(&j->walk, &e)) return true;
    j->op = e.op;
    j->spent += cost;
    uint64_t begins = board_begins(&e.pin);
    if (j->spent < begins) j->spent = begins; /* nothing is armed before there is room */
    if (++j->events > MOST_EVENTS || j->spent - begins > (uint64_t)(CORE_ARMED - 2) * cost) {
      j->code = WIRE_REPLY_DENSE;
      return true;
    }
  }
  return false;
}

void program_begin(struct program_walk *w, const uint8_t *p, uint64_t start, const int32_t *values, uint64_t mark) {
  struct program_facts f;
  program_facts(p, &f);
  memset(w, 0, sizeof *w);
  w->p = f.first;
  w->ops = f.ops;
  w->at = start;
  w->values = values;
  w->mark = mark;
}

static int32_t value(const struct program_walk *w, uint8_t slot) { return slot ? w->values[slot - 1] : 0; }

/* Ends an operation; the next one begins when it does. */
static void op_ends(struct program_walk *w) {
  uint64_t duration;
  w->p += program_op(w->p, &duration);
  w->at += duration;
  w->op++;
  w->open = false;
}

static void emit(struct program_walk *w, struct program_event *e, uint8_t kind, uint64_t at) {
  memset(e, 0, sizeof *e);
  e->pin.kind = kind;
  e->pin.at = at;
  e->op = w->op;
  e->begins = w->stage == 0;
  e->offset = at - w->at;
  if (w->stage < UINT16_MAX) w->stage++;
}

static void select_event(struct program_walk *w, struct program_event *e) {
  struct wire_select s;
  wire_select_get(w->p, &s);
  if (w->stage == 0) {
    emit(w, e, WIRE_PIN_SELECT, w->at); /* break before make */
    if (!s.word) op_ends(w);
    return;
  }
  emit(w, e, WIRE_PIN_SELECT, w->at + s.dead);
  e->pin.word = s.word;
  op_ends(w);
}

static void write_event(struct program_walk *w, struct program_event *e) {
  struct wire_write o;
  wire_write_get(w->p, &o);
  emit(w, e, WIRE_PIN_WRITE, w->at);
  e->pin.which = o.register_;
  e->pin.value = o.slot ? (uint8_t)value(w, o.slot) : o.value;
  e->pin.width = o.duration;
  op_ends(w);
}

/* The mark of light that is sampled at a time: it ends with its operation, behind which there may be another. */
static void mark_event(struct program_walk *w, struct program_event *e, uint64_t at) {
  uint64_t duration;
  program_op(w->p, &duration);
  uint64_t rest = w->at + duration - at;
  emit(w, e, WIRE_PIN_MARK, at);
  e->pin.width = w->mark < rest ? w->mark : rest;
  if (!e->pin.width) e->pin.width = 1;
  w->marked = true;
}

static void strobe_event(struct program_walk *w, struct program_event *e) {
  struct wire_strobe s;
  wire_strobe_get(w->p, &s);
  uint64_t delay = s.slot ? s.duration - (uint64_t)value(w, s.slot) : s.delay;
  if (s.strobe == WIRE_STROBE_LOAD && w->mark && !w->marked) {
    mark_event(w, e, w->at + delay);
    return;
  }
  emit(w, e, WIRE_PIN_STROBE, w->at + delay);
  e->pin.which = s.strobe;
  e->pin.width = s.width;
  op_ends(w);
}

static bool counts(const struct program_walk *w) { return w->scan.flags & WIRE_SCAN_COUNTS; }

/* When the first sample of the scan comes, and that of its row. */
static uint64_t row_sample(const struct program_walk *w) {
  const struct wire_scan *s = &w->scan;
  uint64_t moves = counts(w) ? counted(s, w->first_row, w->first_column) : s->row_time + s->step;
  return w->at + moves + s->settle + w->row * s->row_interval;
}

/* Begins to move to the first pixel of a row. */
static void row_begins(struct program_walk *w) {
  const struct wire_scan *s = &w->scan;
  w->column = 0;
  w->clock_at = w->row ? row_sample(w) - s->row_lead : w->at;
  if (!counts(w)) {
    w->pulses = 2; /* the row's address, and the column's */
    return;
  }
  if (w->row == 0) {
    w->pulses = (uint64_t)w->first_row * s->lattice_columns + w->first_column + 1;
    w->passed = 0;
    return;
  }
  uint32_t last = w->first_column + (uint32_t)(s->columns - 1) * s->column_step;
  w->pulses = (uint64_t)s->row_step * s->lattice_columns - (uint64_t)(s->columns - 1) * s->column_step;
  w->passed = last + 1;
}

/* Counter chips are clocked; from row to row that takes longer. */
static void clock_event(struct program_walk *w, struct program_event *e) {
  const struct wire_scan *s = &w->scan;
  if (w->passed == s->lattice_columns) {
    w->passed = 0;
    w->clock_at += s->row_time;
  }
  uint64_t n = (uint64_t)s->lattice_columns - w->passed;
  if (n > w->pulses) n = w->pulses;
  emit(w, e, WIRE_PIN_CLOCK, w->clock_at);
  e->pin.count = (uint16_t)n;
  e->pin.width = s->step;
  w->clock_at += n * s->step;
  w->pulses -= n;
  w->passed += (uint32_t)n;
}

static void address_event(struct program_walk *w, struct program_event *e) {
  const struct wire_scan *s = &w->scan;
  if (w->pulses == 2) {
    emit(w, e, WIRE_PIN_ROW, w->clock_at);
    e->pin.value = (uint16_t)(w->first_row + w->row * s->row_step);
  } else {
    emit(w, e, WIRE_PIN_COLUMN, w->clock_at + s->row_time);
    e->pin.value = (uint16_t)w->first_column;
  }
  w->pulses--;
}

/* A train of samples: as many of the row as one event takes. */
static void sample_event(struct program_walk *w, struct program_event *e) {
  const struct wire_scan *s = &w->scan;
  uint32_t n = s->columns - w->column;
  if (s->flags & WIRE_SCAN_LIGHT && w->mark && !w->marked) {
    mark_event(w, e, row_sample(w));
    return;
  }
  if (n > WIRE_MAX_TRAIN) n = WIRE_MAX_TRAIN;
  emit(w, e, WIRE_PIN_SAMPLE, row_sample(w) + (uint64_t)w->column * s->interval);
  e->row = (uint16_t)w->row;
  e->column = (uint16_t)w->column;
  e->pin.lanes = s->lanes;
  e->pin.count = (uint16_t)n;
  e->pin.step = s->column_step;
  e->pin.first = w->column > 0;
  e->pin.counts = counts(w);
  e->pin.value = (uint16_t)(w->first_column + w->column * s->column_step);
  e->pin.width = s->step;
  e->pin.interval = s->interval;
  e->pin.lead = s->lead;
  w->column += n;
  if (w->column < s->columns) return;
  w->row++;
  if (w->row < s->rows)
    row_begins(w);
  else
    op_ends(w);
}

static void scan_event(struct program_walk *w, struct program_event *e) {
  if (w->pulses == 0)
    sample_event(w, e);
  else if (counts(w))
    clock_event(w, e);
  else
    address_event(w, e);
}

static void op_begins(struct program_walk *w) {
  w->open = true;
  w->marked = false;
  w->stage = 0;
  if (w->p[0] != WIRE_OP_SCAN) return;
  wire_scan_get(w->p, &w->scan);
  w->row = 0;
  w->first_row = (uint32_t)(w->scan.row + value(w, w->scan.row_slot));
  w->first_column = (uint32_t)(w->scan.column + value(w, w->scan.column_slot));
  row_begins(w);
}

bool program_next(struct program_walk *w, struct program_event *e) {
  while (w->op < w->ops) {
    if (!w->open) op_begins(w);
    switch (w->p[0]) {
    case WIRE_OP_SELECT:
      select_event(w, e);
      return true;
    case WIRE_OP_WRITE:
      write_event(w, e);
      return true;
    case WIRE_OP_STROBE:
      strobe_event(w, e);
      return true;
    case WIRE_OP_SCAN:
      scan_event(w, e);
      return true;
    default: /* a wait */
      op_ends(w);
    }
  }
  return false;
}
