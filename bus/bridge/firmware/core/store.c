#include "store.h"

#include "core.h"
#include "program.h"
#include "runs.h"

enum program_state { EMPTY = 0, LOADING, JUDGED, SOUND };

struct stored {
  uint8_t hash[16];
  uint32_t at, length, have; /* in the store */
  uint8_t state;
};

static uint8_t store[CORE_STORE];
static struct stored programs[CORE_PROGRAMS];

static unsigned judged;       /* which program is, while one is */
static uint32_t judged_seq;   /* the message that brought its end */
static struct program_judgement judgement;

const uint8_t *store_program(unsigned index) {
  return index < CORE_PROGRAMS && programs[index].state == SOUND ? store + programs[index].at : NULL;
}

const uint8_t *store_hash(unsigned index) {
  return index < CORE_PROGRAMS && programs[index].state != EMPTY ? programs[index].hash : NULL;
}

/* Gives up what has not come to its end. */
static void give_up(void) {
  for (unsigned i = 0; i < CORE_PROGRAMS; i++)
    if (programs[i].state == LOADING || programs[i].state == JUDGED) programs[i].state = EMPTY;
  judged = CORE_PROGRAMS;
}

unsigned store_greeted(void) {
  unsigned n = 0;
  give_up();
  for (unsigned i = 0; i < CORE_PROGRAMS; i++) n += programs[i].state == SOUND;
  return n;
}

void store_begin(void) {
  memset(programs, 0, sizeof programs);
  judged = CORE_PROGRAMS;
}

bool store_busy(void) { return judged < CORE_PROGRAMS; }

/* A place in the store: behind a program, or at its beginning, where nothing is for so many bytes. */
static bool place(uint32_t length, uint32_t *at) {
  for (unsigned i = 0; i <= CORE_PROGRAMS; i++) {
    if (i < CORE_PROGRAMS && programs[i].state == EMPTY) continue;
    uint32_t from = i < CORE_PROGRAMS ? programs[i].at + programs[i].length : 0;
    if (length > CORE_STORE - from) continue;
    bool room = true;
    for (unsigned k = 0; k < CORE_PROGRAMS; k++)
      if (programs[k].state != EMPTY && programs[k].at < from + length && from < programs[k].at + programs[k].length)
        room = false;
    if (room) {
      *at = from;
      return true;
    }
  }
  return false;
}

/* The program with a hash; CORE_PROGRAMS where there is none. */
static unsigned find(const uint8_t *hash) {
  unsigned i = 0;
  while (i < CORE_PROGRAMS && (programs[i].state == EMPTY || memcmp(programs[i].hash, hash, 16) != 0)) i++;
  return i;
}

/* Makes room for a program that begins to arrive; CORE_PROGRAMS when there is none. One arrives at a time: what was
 * begun and did not come to its end was given up by the host. */
static unsigned begin_program(const struct wire_program *m) {
  unsigned i = 0;
  uint32_t at;
  give_up();
  while (i < CORE_PROGRAMS && programs[i].state != EMPTY) i++;
  if (i == CORE_PROGRAMS || !m->length || m->length > CORE_STORE || !place(m->length, &at)) return CORE_PROGRAMS;
  programs[i].at = at;
  programs[i].length = m->length;
  programs[i].have = 0;
  programs[i].state = LOADING;
  memcpy(programs[i].hash, m->hash, 16);
  return i;
}

void store_part(const uint8_t *p, size_t n, uint32_t seq) {
  struct wire_program m;
  wire_program_get(p, &m);
  p += WIRE_PROGRAM_SIZE;
  n -= WIRE_PROGRAM_SIZE;
  unsigned i = find(m.hash);
  if (i < CORE_PROGRAMS && programs[i].state == SOUND) { /* it never changes */
    core_reply(WIRE_TYPE_PROGRAM, seq, WIRE_REPLY_OK, i, 0);
    return;
  }
  if (m.offset == 0) {
    i = begin_program(&m);
    if (i == CORE_PROGRAMS) {
      core_reply(WIRE_TYPE_PROGRAM, seq, WIRE_REPLY_FULL, i, m.length);
      return;
    }
  }
  if (i == CORE_PROGRAMS || programs[i].state != LOADING || m.length != programs[i].length || m.offset != programs[i].have ||
      n > programs[i].length - programs[i].have) {
    give_up();
    core_reply(WIRE_TYPE_PROGRAM, seq, WIRE_REPLY_FORM, CORE_PROGRAMS, 0);
    return;
  }
  memcpy(store + programs[i].at + programs[i].have, p, n);
  programs[i].have += (uint32_t)n;
  if (programs[i].have < programs[i].length) {
    core_reply(WIRE_TYPE_PROGRAM, seq, WIRE_REPLY_MORE, i, programs[i].have);
    return;
  }
  programs[i].state = JUDGED;
  judged = i;
  judged_seq = seq;
  program_judge(&judgement, store + programs[i].at, programs[i].length);
  store_poll();
}

void store_poll(void) {
  if (!store_busy()) return;
  struct stored *s = &programs[judged];
  if (!program_judge_on(&judgement)) return;
  unsigned i = judged;
  judged = CORE_PROGRAMS;
  s->state = judgement.code == WIRE_REPLY_OK ? SOUND : EMPTY;
  core_reply_of(WIRE_TYPE_PROGRAM, judged_seq, judgement.code, i, judgement.op, s->hash);
}

void store_drop(const uint8_t *p, uint32_t seq) {
  struct wire_drop m;
  wire_drop_get(p, &m);
  if (m.index >= CORE_PROGRAMS || programs[m.index].state == EMPTY) {
    core_reply(WIRE_TYPE_DROP, seq, WIRE_REPLY_UNKNOWN, m.index, 0);
  } else if (runs_use(m.index)) {
    core_reply(WIRE_TYPE_DROP, seq, WIRE_REPLY_BUSY, m.index, 0);
  } else {
    programs[m.index].state = EMPTY;
    core_reply(WIRE_TYPE_DROP, seq, WIRE_REPLY_OK, m.index, 0);
  }
}

