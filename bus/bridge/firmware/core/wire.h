/* Code generated from bus/bridge/wire/messages.go by "go test ./bus/bridge/wire -update". DO NOT EDIT. */
#ifndef WIRE_H
#define WIRE_H

#include <stddef.h>
#include <stdint.h>
#include <string.h>

static inline uint8_t wire_get_u8(const uint8_t *p) { return p[0]; }
static inline uint16_t wire_get_u16(const uint8_t *p) { return (uint16_t)(p[0] | p[1] << 8); }
static inline uint32_t wire_get_u32(const uint8_t *p) { return wire_get_u16(p) | (uint32_t)wire_get_u16(p + 2) << 16; }
static inline uint64_t wire_get_u64(const uint8_t *p) { return wire_get_u32(p) | (uint64_t)wire_get_u32(p + 4) << 32; }
static inline int32_t wire_get_i32(const uint8_t *p) { return (int32_t)wire_get_u32(p); }
static inline int64_t wire_get_i64(const uint8_t *p) { return (int64_t)wire_get_u64(p); }
static inline void wire_put_u8(uint8_t *p, uint8_t v) { p[0] = v; }
static inline void wire_put_u16(uint8_t *p, uint16_t v) { p[0] = (uint8_t)v; p[1] = (uint8_t)(v >> 8); }
static inline void wire_put_u32(uint8_t *p, uint32_t v) { wire_put_u16(p, (uint16_t)v); wire_put_u16(p + 2, (uint16_t)(v >> 16)); }
static inline void wire_put_u64(uint8_t *p, uint64_t v) { wire_put_u32(p, (uint32_t)v); wire_put_u32(p + 4, (uint32_t)(v >> 32)); }
static inline void wire_put_i32(uint8_t *p, int32_t v) { wire_put_u32(p, (uint32_t)v); }
static inline void wire_put_i64(uint8_t *p, int64_t v) { wire_put_u64(p, (uint64_t)v); }

/* The protocol's version. Another major version is refused; a newer minor version only adds what an older peer ignores. */
enum {
  WIRE_MAJOR = 1,
  WIRE_MINOR = 3,
};

/* Minor versions that have added something which a host may need. */
enum {
  WIRE_MINOR_PINS = 1, /* Pins */
  WIRE_MINOR_SYNC = 2, /* Sync */
  WIRE_MINOR_STOP = 3, /* Stop; Missed, for hosts that know of it */
};

/* Bounds of what goes over the links. */
enum {
  /* MaxPayload is the longest payload of a frame, in bytes. */
  WIRE_MAX_PAYLOAD = 1024,
  /* MaxSlots is how many values a run can have that are given anew with every run. */
  WIRE_MAX_SLOTS = 16,
  /* MaxTrain is how many samples of a lane one pin event asks for, at most. */
  WIRE_MAX_TRAIN = 128,
  /* MaxLanes is how many lanes one device converts. */
  WIRE_MAX_LANES = 8,
  /* MaxTimes is how many times one Times message carries. */
  WIRE_MAX_TIMES = 64,
  /* NoPin stands where nothing is wired to a pin. */
  WIRE_NO_PIN = 255,
  /* MaxWindow is how many frames of one direction are on their way at most: Ack tells of that many. */
  WIRE_MAX_WINDOW = 64,
};

/* What a frame carries. From 128 on it has no number: it may be lost or come twice. */
enum {
  WIRE_TYPE_CONFIG = 2,
  WIRE_TYPE_PROGRAM = 3,
  WIRE_TYPE_DROP = 4,
  WIRE_TYPE_SUBMIT = 5,
  WIRE_TYPE_CANCEL = 6,
  WIRE_TYPE_RELEASE = 7,
  WIRE_TYPE_PINS = 8,
  WIRE_TYPE_SELF_TEST = 9,
  WIRE_TYPE_SYNC = 10,
  WIRE_TYPE_WELCOME = 65,
  WIRE_TYPE_REPLY = 66,
  WIRE_TYPE_DATA = 67,
  WIRE_TYPE_TIMES = 68,
  WIRE_TYPE_RESULT = 69,
  WIRE_TYPE_RELEASED = 70,
  WIRE_TYPE_SAFE = 72,
  WIRE_TYPE_TESTED = 73,
  WIRE_TYPE_READING = 74,
  WIRE_TYPE_EDGE = 75,
  WIRE_TYPE_MISSED = 76,
  WIRE_TYPE_HELLO = 128,
  WIRE_TYPE_ALIVE = 129,
  WIRE_TYPE_ACK = 130,
  WIRE_TYPE_CLOCK = 131,
  WIRE_TYPE_REFUSED = 132,
  WIRE_TYPE_STOP = 133,
};

/* What becomes of a message that is replied to. */
enum {
  WIRE_REPLY_OK = 0,
  WIRE_REPLY_FORM = 1, /* it cannot be read */
  WIRE_REPLY_ORDER = 2, /* it comes before what must precede it */
  WIRE_REPLY_FULL = 3, /* the store has no room */
  WIRE_REPLY_UNSOUND = 4, /* the program could never run; Detail is its operation */
  WIRE_REPLY_LINES = 5, /* the board has fewer lines or lanes */
  WIRE_REPLY_BUSY = 6, /* the program is run, or about to be */
  WIRE_REPLY_DENSE = 7, /* the board cannot arm the program as fast as it runs; Detail is its operation */
  WIRE_REPLY_UNKNOWN = 8, /* there is no such program */
  WIRE_REPLY_SHORT = 9, /* its payload is too short, or its type unknown */
  WIRE_REPLY_MORE = 10, /* a part of a program has arrived; the next may come */
  WIRE_REPLY_HAZARD = 11, /* the stop input is active, or something is outside its limits */
  WIRE_REPLY_PINS = 12, /* the board lacks these pins, or has others than the host says; Detail is why */
  WIRE_REPLY_UNTESTED = 13, /* the board has not passed its self-test for this build and these pins */
};

/* What becomes of a run. */
enum {
  WIRE_RESULT_WHOLE = 0, /* every operation ran */
  WIRE_RESULT_LATE = 1, /* refused: nothing of it was executed */
  WIRE_RESULT_RECALLED = 2, /* taken back before anything of it was executed */
  WIRE_RESULT_UNDERRUN = 3, /* broken off: an operation could not be armed in time */
  WIRE_RESULT_STOPPED = 4, /* broken off by a release */
  WIRE_RESULT_LEASE = 5, /* broken off as the host was not heard any more */
  WIRE_RESULT_FAULT = 6, /* broken off by a fault of the board */
};

/* Why a run was late. */
enum {
  WIRE_CAUSE_NONE = 0,
  WIRE_CAUSE_HOST = 1, /* handed over too late */
  WIRE_CAUSE_LINK = 2, /* handed over in time, and arrived too late */
  WIRE_CAUSE_DEVICE = 3, /* arrived in time, and was not made ready */
};

/* Why a device is in its safe state, where all lines are inactive, until the next handshake. */
enum {
  WIRE_SAFE_BOOT = 0,
  WIRE_SAFE_LEASE = 1, /* the host was not heard for the lease */
  WIRE_SAFE_LINK = 2, /* the link was reset */
  WIRE_SAFE_SESSION = 3, /* another host has taken over */
  WIRE_SAFE_FAULT = 4, /* of the board */
  WIRE_SAFE_STOP = 5, /* the stop input is active */
  WIRE_SAFE_LIMIT = 6, /* a supply, current or temperature is outside its limits */
};

/* Why a host cannot have a device. */
enum {
  WIRE_REFUSED_VERSION = 1, /* another major version of the protocol */
  WIRE_REFUSED_IN_USE = 2, /* another host uses it */
  WIRE_REFUSED_TAKEN = 3, /* another host has taken it over */
};

/* Kinds of operations of a program. */
enum {
  WIRE_OP_SELECT = 1,
  WIRE_OP_WRITE = 2,
  WIRE_OP_STROBE = 3,
  WIRE_OP_WAIT = 4,
  WIRE_OP_SCAN = 5,
};

/* Strobes of the bus. */
enum {
  WIRE_STROBE_LOAD = 1,
  WIRE_STROBE_SHARE = 2,
  WIRE_STROBE_RESET = 3,
  WIRE_STROBE_ADVANCE = 4,
  WIRE_STROBE_EXPOSE = 5,
};

/* Signals of an array: what an output of a board is wired to, by number. */
enum {
  WIRE_SIGNAL_SELECT = 0, /* the first of 64 select lines */
  WIRE_SIGNAL_STROBE = 63, /* to which the number of the strobe is added */
  WIRE_SIGNAL_NUMBER = 69, /* the lowest of 3 bits of the register's number */
  WIRE_SIGNAL_VALUE = 72, /* the lowest of 8 bits of the value that is written */
  WIRE_SIGNAL_WRITE = 80, /* writes it */
  WIRE_SIGNAL_ROW = 81, /* the lowest of 12 bits of the row address */
  WIRE_SIGNAL_COLUMN = 93, /* the lowest of 12 bits of the column address */
  WIRE_SIGNAL_CLOCK = 105,
  WIRE_SIGNALS = 106,
  WIRE_SIGNAL_MARK = 106, /* which is none of the array: Sync says where it is */
};

/* What is asked of the self-test. */
enum {
  WIRE_TEST_RUN = 0, /* that it is done */
  WIRE_TEST_TELL = 1, /* whether it was passed */
  WIRE_TEST_SKIP = 2, /* nothing: an operator says that the array may run without it, in this session */
};

/* What became of a self-test. */
enum {
  WIRE_TEST_PASSED = 0, /* for this build and these pins */
  WIRE_TEST_NEVER = 1, /* it was not passed for them yet */
  WIRE_TEST_MISSING = 2, /* an edge that was armed was not measured */
  WIRE_TEST_EXTRA = 3, /* an edge was measured that nothing had armed */
  WIRE_TEST_TIME = 4, /* an edge was measured at another time than it was armed for */
  WIRE_TEST_LATE = 5, /* the board could not arm an edge in time */
  WIRE_TEST_UNWIRED = 6, /* a select line or strobe is wired to no input */
  WIRE_TEST_BROKEN = 7, /* broken off: the stop input is active, or something is outside its limits */
};

/* What a reading is of. */
enum {
  WIRE_READING_VOLTS = 1,
  WIRE_READING_AMPERES = 2,
  WIRE_READING_CELSIUS = 3,
  /* MaxReadings is how many a board has. */
  WIRE_MAX_READINGS = 16,
};

/* Why a board does not take its pins. */
enum {
  WIRE_PINS_DIGEST = 1, /* they are not what the digest was made of */
  WIRE_PINS_TWICE = 2, /* a pin or converter serves twice */
  WIRE_PINS_LOOP = 3, /* an input is wired to an output that serves nothing, or is an output itself */
  WIRE_PINS_CONVERTER = 4, /* there is no such converter */
  WIRE_PINS_MISSING = 5, /* the board lacks a pin, or none were given to one that has no numbering of its own */
};

/* Flags of a scan. */
enum {
  WIRE_SCAN_COUNTS = 1, /* pixels are passed by clock pulses; otherwise they are addressed */
  WIRE_SCAN_LIGHT = 2, /* its first sample is when light is sampled, which a run may mark */
};

/* Flags of a run. */
enum {
  WIRE_SUBMIT_LATE = 1, /* it was handed over too late already */
  WIRE_SUBMIT_MARK = 2, /* light that it samples is marked: where loads begin, and first samples of scans that say so */
};

/* Inputs of a device from the rest of a robot. */
enum {
  WIRE_MAX_INPUTS = 8,
  WIRE_EDGE_RISING = 1, /* that edges to a high level are told */
  WIRE_EDGE_FALLING = 2, /* that others are */
  /* MostEdges is how many edges are on their way to the host, or wait for that, at most: results share the link. */
  WIRE_MOST_EDGES = 32,
};

/* Header begins every frame. */
struct wire_header {
  /* Type says what the payload is. */
  uint8_t type;
  /* Version is the major version of the protocol. */
  uint8_t version;
  /* Length of the payload in bytes. */
  uint16_t length;
  /* Session is what the host has chosen in its Hello. */
  uint32_t session;
  /* Boot is of the device: another one each time that it begins anew. 0 where the host does not know it yet. */
  uint32_t boot;
  /* Seq numbers the frames of a session in one direction, from 1; behind the highest comes 0. A frame that is not
   * acknowledged is sent again, and one that comes twice is taken once. */
  uint32_t seq;
  /* Ack is the number of the last frame of the other direction before which none is missing. */
  uint32_t ack;
};
enum { WIRE_HEADER_SIZE = 20 };
static inline void wire_header_get(const uint8_t *p, struct wire_header *m) {
  m->type = wire_get_u8(p + 0);
  m->version = wire_get_u8(p + 1);
  m->length = wire_get_u16(p + 2);
  m->session = wire_get_u32(p + 4);
  m->boot = wire_get_u32(p + 8);
  m->seq = wire_get_u32(p + 12);
  m->ack = wire_get_u32(p + 16);
}
static inline void wire_header_put(uint8_t *p, const struct wire_header *m) {
  wire_put_u8(p + 0, m->type);
  wire_put_u8(p + 1, m->version);
  wire_put_u16(p + 2, m->length);
  wire_put_u32(p + 4, m->session);
  wire_put_u32(p + 8, m->boot);
  wire_put_u32(p + 12, m->seq);
  wire_put_u32(p + 16, m->ack);
}

/* Hello begins a session: whatever was before is released and recalled. The answer is Welcome or Refused. Session
 * numbers are chosen at random, and not used again. */
struct wire_hello {
  uint16_t major;
  uint16_t minor;
  /* Window is how many frames the host takes that it has not acknowledged. */
  uint16_t window;
  /* TakeOver says that the device is wanted even where another host uses it. */
  uint8_t take_over;
  /* Owner tells hosts apart: one that has lost its session takes its own device again. */
  uint64_t owner;
  /* Name of the host, for others who want the device. */
  uint8_t name[32];
};
enum { WIRE_HELLO_SIZE = 47 };
static inline void wire_hello_get(const uint8_t *p, struct wire_hello *m) {
  m->major = wire_get_u16(p + 0);
  m->minor = wire_get_u16(p + 2);
  m->window = wire_get_u16(p + 4);
  m->take_over = wire_get_u8(p + 6);
  m->owner = wire_get_u64(p + 7);
  memcpy(m->name, p + 15, 32);
}
static inline void wire_hello_put(uint8_t *p, const struct wire_hello *m) {
  wire_put_u16(p + 0, m->major);
  wire_put_u16(p + 2, m->minor);
  wire_put_u16(p + 4, m->window);
  wire_put_u8(p + 6, m->take_over);
  wire_put_u64(p + 7, m->owner);
  memcpy(p + 15, m->name, 32);
}

/* Ack acknowledges what Header.Ack says, and says what has come behind a frame that is missing: bit i of Got stands for
 * the frame Header.Ack + 2 + i. */
struct wire_ack {
  uint64_t got;
};
enum { WIRE_ACK_SIZE = 8 };
static inline void wire_ack_get(const uint8_t *p, struct wire_ack *m) {
  m->got = wire_get_u64(p + 0);
}
static inline void wire_ack_put(uint8_t *p, const struct wire_ack *m) {
  wire_put_u64(p + 0, m->got);
}

/* Refused says that a host cannot have the device, or no more. */
struct wire_refused {
  uint8_t code;
  /* Major and Minor are the device's version of the protocol. */
  uint16_t major;
  uint16_t minor;
  /* Holder is who uses it. */
  uint8_t holder[32];
  /* HeardUs is how long ago that host was heard, in microseconds. */
  uint64_t heard_us;
};
enum { WIRE_REFUSED_SIZE = 45 };
static inline void wire_refused_get(const uint8_t *p, struct wire_refused *m) {
  m->code = wire_get_u8(p + 0);
  m->major = wire_get_u16(p + 1);
  m->minor = wire_get_u16(p + 3);
  memcpy(m->holder, p + 5, 32);
  m->heard_us = wire_get_u64(p + 37);
}
static inline void wire_refused_put(uint8_t *p, const struct wire_refused *m) {
  wire_put_u8(p + 0, m->code);
  wire_put_u16(p + 1, m->major);
  wire_put_u16(p + 3, m->minor);
  memcpy(p + 5, m->holder, 32);
  wire_put_u64(p + 37, m->heard_us);
}

/* Welcome tells what a device is. */
struct wire_welcome {
  uint16_t major;
  uint16_t minor;
  /* TickNs is the length of a tick of the device's clock in nanoseconds. */
  uint32_t tick_ns;
  /* Build tells builds of the firmware apart. */
  uint8_t build[16];
  /* Now is the device's time. */
  uint64_t now;
  /* Ready is how long before its start a run must have arrived. */
  uint64_t ready;
  /* Release is the longest from when the device takes up a stop, of which Released tells, to all lines inactive. */
  uint64_t release;
  /* ArmCost is what it takes to arm one pin event, at most. */
  uint64_t arm_cost;
  /* Store is the size of the store of programs in bytes. */
  uint32_t store;
  /* Programs is how many of them there can be, Queue how many runs. */
  uint16_t programs;
  uint16_t queue;
  /* Lines and Lanes are how many there are. */
  uint8_t lines;
  uint8_t lanes;
  /* Why the device was in its safe state. */
  uint8_t safe;
  /* Held is how many programs are kept from before: their Reply messages follow. */
  uint8_t held;
  /* Window is how many frames the device takes that it has not acknowledged. */
  uint16_t window;
  /* Emulated says that the device's clock does not go as time does: the host follows it, whatever it does. */
  uint8_t emulated;
};
enum { WIRE_WELCOME_SIZE = 71 };
static inline void wire_welcome_get(const uint8_t *p, struct wire_welcome *m) {
  m->major = wire_get_u16(p + 0);
  m->minor = wire_get_u16(p + 2);
  m->tick_ns = wire_get_u32(p + 4);
  memcpy(m->build, p + 8, 16);
  m->now = wire_get_u64(p + 24);
  m->ready = wire_get_u64(p + 32);
  m->release = wire_get_u64(p + 40);
  m->arm_cost = wire_get_u64(p + 48);
  m->store = wire_get_u32(p + 56);
  m->programs = wire_get_u16(p + 60);
  m->queue = wire_get_u16(p + 62);
  m->lines = wire_get_u8(p + 64);
  m->lanes = wire_get_u8(p + 65);
  m->safe = wire_get_u8(p + 66);
  m->held = wire_get_u8(p + 67);
  m->window = wire_get_u16(p + 68);
  m->emulated = wire_get_u8(p + 70);
}
static inline void wire_welcome_put(uint8_t *p, const struct wire_welcome *m) {
  wire_put_u16(p + 0, m->major);
  wire_put_u16(p + 2, m->minor);
  wire_put_u32(p + 4, m->tick_ns);
  memcpy(p + 8, m->build, 16);
  wire_put_u64(p + 24, m->now);
  wire_put_u64(p + 32, m->ready);
  wire_put_u64(p + 40, m->release);
  wire_put_u64(p + 48, m->arm_cost);
  wire_put_u32(p + 56, m->store);
  wire_put_u16(p + 60, m->programs);
  wire_put_u16(p + 62, m->queue);
  wire_put_u8(p + 64, m->lines);
  wire_put_u8(p + 65, m->lanes);
  wire_put_u8(p + 66, m->safe);
  wire_put_u8(p + 67, m->held);
  wire_put_u16(p + 68, m->window);
  wire_put_u8(p + 70, m->emulated);
}

/* Config configures the device for an array and ends its safe state. The answer is Reply. */
struct wire_config {
  /* Lease is for how long the device goes on without hearing of its host. */
  uint64_t lease;
  /* Lines and Lanes are how many the array has. */
  uint8_t lines;
  uint8_t lanes;
};
enum { WIRE_CONFIG_SIZE = 10 };
static inline void wire_config_get(const uint8_t *p, struct wire_config *m) {
  m->lease = wire_get_u64(p + 0);
  m->lines = wire_get_u8(p + 8);
  m->lanes = wire_get_u8(p + 9);
}
static inline void wire_config_put(uint8_t *p, const struct wire_config *m) {
  wire_put_u64(p + 0, m->lease);
  wire_put_u8(p + 8, m->lines);
  wire_put_u8(p + 9, m->lanes);
}

/* Pins says which pins of the board are wired to what, between Hello and Config. The answer is Reply, whose Detail is
 * the digest of what the board has now; every session says it anew. Without it a board takes its own numbering, if it
 * has one. */
struct wire_pins {
  /* Digest is the CRC-32 of what comes behind it: the device makes it of what it has. */
  uint32_t digest;
  /* Outputs are the pins by what they are wired to: signals, of which NoPin stands for those that are not there. */
  uint8_t outputs[106];
  /* Loops are the inputs that those outputs are wired to for a self-test, or NoPin. */
  uint8_t loops[106];
  /* Converters are those of the lanes, or NoPin. */
  uint8_t converters[8];
};
enum { WIRE_PINS_SIZE = 224 };
static inline void wire_pins_get(const uint8_t *p, struct wire_pins *m) {
  m->digest = wire_get_u32(p + 0);
  memcpy(m->outputs, p + 4, 106);
  memcpy(m->loops, p + 110, 106);
  memcpy(m->converters, p + 216, 8);
}
static inline void wire_pins_put(uint8_t *p, const struct wire_pins *m) {
  wire_put_u32(p + 0, m->digest);
  memcpy(p + 4, m->outputs, 106);
  memcpy(p + 110, m->loops, 106);
  memcpy(p + 216, m->converters, 8);
}

/* Sync says which pins are for the rest of a robot, behind Pins and before Config. The answer is Reply, with a Detail
 * as that to Pins. Without it there are none. */
struct wire_sync {
  /* Digest is the CRC-32 of what comes behind it: the device makes it of what it has. */
  uint32_t digest;
  /* Mark is the output that marks light, or NoPin, and Width for how long it is active: not beyond the operation that
   * it marks. */
  uint8_t mark;
  uint64_t width;
  /* Inputs are told of, or NoPin, and Edges says which of their edges. */
  uint8_t inputs[8];
  uint8_t edges[8];
};
enum { WIRE_SYNC_SIZE = 29 };
static inline void wire_sync_get(const uint8_t *p, struct wire_sync *m) {
  m->digest = wire_get_u32(p + 0);
  m->mark = wire_get_u8(p + 4);
  m->width = wire_get_u64(p + 5);
  memcpy(m->inputs, p + 13, 8);
  memcpy(m->edges, p + 21, 8);
}
static inline void wire_sync_put(uint8_t *p, const struct wire_sync *m) {
  wire_put_u32(p + 0, m->digest);
  wire_put_u8(p + 4, m->mark);
  wire_put_u64(p + 5, m->width);
  memcpy(p + 13, m->inputs, 8);
  memcpy(p + 21, m->edges, 8);
}

/* Edge is an edge at an input from the rest of a robot. */
struct wire_edge {
  /* Input is its index in Sync, and Level what it has changed to. */
  uint8_t input;
  uint8_t level;
  /* Missed is how many edges of this input were not told since the session began, as too many were on their way. */
  uint32_t missed;
  uint64_t at;
};
enum { WIRE_EDGE_SIZE = 14 };
static inline void wire_edge_get(const uint8_t *p, struct wire_edge *m) {
  m->input = wire_get_u8(p + 0);
  m->level = wire_get_u8(p + 1);
  m->missed = wire_get_u32(p + 2);
  m->at = wire_get_u64(p + 6);
}
static inline void wire_edge_put(uint8_t *p, const struct wire_edge *m) {
  wire_put_u8(p + 0, m->input);
  wire_put_u8(p + 1, m->level);
  wire_put_u32(p + 2, m->missed);
  wire_put_u64(p + 6, m->at);
}

/* Missed says how many edges of an input were not told since the session began, where none has come since that could
 * say so. */
struct wire_missed {
  uint8_t input;
  uint8_t spare;
  uint32_t missed;
};
enum { WIRE_MISSED_SIZE = 6 };
static inline void wire_missed_get(const uint8_t *p, struct wire_missed *m) {
  m->input = wire_get_u8(p + 0);
  m->spare = wire_get_u8(p + 1);
  m->missed = wire_get_u32(p + 2);
}
static inline void wire_missed_put(uint8_t *p, const struct wire_missed *m) {
  wire_put_u8(p + 0, m->input);
  wire_put_u8(p + 1, m->spare);
  wire_put_u32(p + 2, m->missed);
}

/* SelfTest is about the self-test, between Hello and Config: outputs that are wired to inputs are driven one after
 * another, and the edges that the inputs measure are held against those that were armed. Nothing else may be connected
 * that takes harm from it. The answer is Tested. */
struct wire_self_test {
  /* What is one of Test... */
  uint8_t what;
};
enum { WIRE_SELF_TEST_SIZE = 1 };
static inline void wire_self_test_get(const uint8_t *p, struct wire_self_test *m) {
  m->what = wire_get_u8(p + 0);
}
static inline void wire_self_test_put(uint8_t *p, const struct wire_self_test *m) {
  wire_put_u8(p + 0, m->what);
}

/* Tested says what became of a self-test. */
struct wire_tested {
  uint8_t code;
  /* Required says that the board runs no array before it has passed. */
  uint8_t required;
  /* Outputs that were tested, and others that are wired to no input. */
  uint8_t outputs;
  uint8_t unwired;
  /* Signal, Input and Level are those of the edge with which it failed. */
  uint8_t signal;
  uint8_t input;
  uint8_t level;
  /* Planned and Measured are when it was to happen and did. */
  uint64_t planned;
  uint64_t measured;
  /* Worst is by how much an edge was measured at another time than it was armed for, at most. */
  uint64_t worst;
};
enum { WIRE_TESTED_SIZE = 31 };
static inline void wire_tested_get(const uint8_t *p, struct wire_tested *m) {
  m->code = wire_get_u8(p + 0);
  m->required = wire_get_u8(p + 1);
  m->outputs = wire_get_u8(p + 2);
  m->unwired = wire_get_u8(p + 3);
  m->signal = wire_get_u8(p + 4);
  m->input = wire_get_u8(p + 5);
  m->level = wire_get_u8(p + 6);
  m->planned = wire_get_u64(p + 7);
  m->measured = wire_get_u64(p + 15);
  m->worst = wire_get_u64(p + 23);
}
static inline void wire_tested_put(uint8_t *p, const struct wire_tested *m) {
  wire_put_u8(p + 0, m->code);
  wire_put_u8(p + 1, m->required);
  wire_put_u8(p + 2, m->outputs);
  wire_put_u8(p + 3, m->unwired);
  wire_put_u8(p + 4, m->signal);
  wire_put_u8(p + 5, m->input);
  wire_put_u8(p + 6, m->level);
  wire_put_u64(p + 7, m->planned);
  wire_put_u64(p + 15, m->measured);
  wire_put_u64(p + 23, m->worst);
}

/* Reading is what a board measures of itself or its array: a supply, a current or a temperature, in thousandths of its
 * unit. Outside of Low and High the device is in its safe state. Hosts of a minor version that knows of it are told all
 * of them before a configuration is answered, once a second, and before Safe. */
struct wire_reading {
  /* Index of Count readings. */
  uint8_t index;
  uint8_t count;
  uint8_t kind;
  uint8_t name[16];
  int32_t value;
  int32_t low;
  int32_t high;
  uint64_t at;
};
enum { WIRE_READING_SIZE = 39 };
static inline void wire_reading_get(const uint8_t *p, struct wire_reading *m) {
  m->index = wire_get_u8(p + 0);
  m->count = wire_get_u8(p + 1);
  m->kind = wire_get_u8(p + 2);
  memcpy(m->name, p + 3, 16);
  m->value = wire_get_i32(p + 19);
  m->low = wire_get_i32(p + 23);
  m->high = wire_get_i32(p + 27);
  m->at = wire_get_u64(p + 31);
}
static inline void wire_reading_put(uint8_t *p, const struct wire_reading *m) {
  wire_put_u8(p + 0, m->index);
  wire_put_u8(p + 1, m->count);
  wire_put_u8(p + 2, m->kind);
  memcpy(p + 3, m->name, 16);
  wire_put_i32(p + 19, m->value);
  wire_put_i32(p + 23, m->low);
  wire_put_i32(p + 27, m->high);
  wire_put_u64(p + 31, m->at);
}

/* Program brings a part of a program, which follows. Each is answered by Reply before the next comes. */
struct wire_program {
  /* Hash tells programs apart by their content. */
  uint8_t hash[16];
  /* Length of the whole, and where this part of it begins, in bytes. */
  uint32_t length;
  uint32_t offset;
};
enum { WIRE_PROGRAM_SIZE = 24 };
static inline void wire_program_get(const uint8_t *p, struct wire_program *m) {
  memcpy(m->hash, p + 0, 16);
  m->length = wire_get_u32(p + 16);
  m->offset = wire_get_u32(p + 20);
}
static inline void wire_program_put(uint8_t *p, const struct wire_program *m) {
  memcpy(p + 0, m->hash, 16);
  wire_put_u32(p + 16, m->length);
  wire_put_u32(p + 20, m->offset);
}

/* Drop drops a program. The answer is Reply. */
struct wire_drop {
  uint16_t index;
};
enum { WIRE_DROP_SIZE = 2 };
static inline void wire_drop_get(const uint8_t *p, struct wire_drop *m) {
  m->index = wire_get_u16(p + 0);
}
static inline void wire_drop_put(uint8_t *p, const struct wire_drop *m) {
  wire_put_u16(p + 0, m->index);
}

/* Submit hands over one run of a program. Values of its slots follow, four bytes each. The answer is Result. */
struct wire_submit {
  uint32_t id;
  /* Taken is the last run whose result the host has seen: behind one that failed, what was submitted without
   * knowing is recalled. */
  uint32_t taken;
  uint64_t start;
  uint16_t index;
  /* Flags are those of a run. */
  uint8_t flags;
  /* Slots is how many values follow. */
  uint8_t slots;
};
enum { WIRE_SUBMIT_SIZE = 20 };
static inline void wire_submit_get(const uint8_t *p, struct wire_submit *m) {
  m->id = wire_get_u32(p + 0);
  m->taken = wire_get_u32(p + 4);
  m->start = wire_get_u64(p + 8);
  m->index = wire_get_u16(p + 16);
  m->flags = wire_get_u8(p + 18);
  m->slots = wire_get_u8(p + 19);
}
static inline void wire_submit_put(uint8_t *p, const struct wire_submit *m) {
  wire_put_u32(p + 0, m->id);
  wire_put_u32(p + 4, m->taken);
  wire_put_u64(p + 8, m->start);
  wire_put_u16(p + 16, m->index);
  wire_put_u8(p + 18, m->flags);
  wire_put_u8(p + 19, m->slots);
}

/* Cancel recalls what starts after a time and was not yet begun to be armed. */
struct wire_cancel {
  uint64_t after;
};
enum { WIRE_CANCEL_SIZE = 8 };
static inline void wire_cancel_get(const uint8_t *p, struct wire_cancel *m) {
  m->after = wire_get_u64(p + 0);
}
static inline void wire_cancel_put(uint8_t *p, const struct wire_cancel *m) {
  wire_put_u64(p + 0, m->after);
}

/* Release makes every line inactive at once. The answer is Released, after the results of what it breaks off. */
struct wire_release {
  uint32_t id;
};
enum { WIRE_RELEASE_SIZE = 4 };
static inline void wire_release_get(const uint8_t *p, struct wire_release *m) {
  m->id = wire_get_u32(p + 0);
}
static inline void wire_release_put(uint8_t *p, const struct wire_release *m) {
  wire_put_u32(p + 0, m->id);
}

/* Stop is a Release that overtakes what was sent before it, and may be lost: that follows, with the same number, which
 * is higher than that of any before. Runs that come in between are recalled. The answer is Released, once. */
struct wire_stop {
  uint32_t id;
};
enum { WIRE_STOP_SIZE = 4 };
static inline void wire_stop_get(const uint8_t *p, struct wire_stop *m) {
  m->id = wire_get_u32(p + 0);
}
static inline void wire_stop_put(uint8_t *p, const struct wire_stop *m) {
  wire_put_u32(p + 0, m->id);
}

/* Alive says that the host is there. The answer is Clock. Tokens rise, so that one that comes late does not count. */
struct wire_alive {
  uint32_t token;
};
enum { WIRE_ALIVE_SIZE = 4 };
static inline void wire_alive_get(const uint8_t *p, struct wire_alive *m) {
  m->token = wire_get_u32(p + 0);
}
static inline void wire_alive_put(uint8_t *p, const struct wire_alive *m) {
  wire_put_u32(p + 0, m->token);
}

/* Reply answers a message. */
struct wire_reply {
  uint8_t to;
  uint8_t code;
  /* Index is the program that is meant. */
  uint16_t index;
  uint32_t detail;
  uint8_t hash[16];
  /* Answers is the number of the frame that is answered. */
  uint32_t answers;
};
enum { WIRE_REPLY_SIZE = 28 };
static inline void wire_reply_get(const uint8_t *p, struct wire_reply *m) {
  m->to = wire_get_u8(p + 0);
  m->code = wire_get_u8(p + 1);
  m->index = wire_get_u16(p + 2);
  m->detail = wire_get_u32(p + 4);
  memcpy(m->hash, p + 8, 16);
  m->answers = wire_get_u32(p + 24);
}
static inline void wire_reply_put(uint8_t *p, const struct wire_reply *m) {
  wire_put_u8(p + 0, m->to);
  wire_put_u8(p + 1, m->code);
  wire_put_u16(p + 2, m->index);
  wire_put_u32(p + 4, m->detail);
  memcpy(p + 8, m->hash, 16);
  wire_put_u32(p + 24, m->answers);
}

/* Data has the codes of samples, which follow, two bytes each. */
struct wire_data {
  uint32_t id;
  /* Op is the operation of the program, Row and Column where in its window the codes begin. */
  uint16_t op;
  uint16_t row;
  uint16_t column;
  uint8_t lane;
  uint8_t spare;
  /* At is when the first of them was sampled, as measured. */
  uint64_t at;
};
enum { WIRE_DATA_SIZE = 20 };
static inline void wire_data_get(const uint8_t *p, struct wire_data *m) {
  m->id = wire_get_u32(p + 0);
  m->op = wire_get_u16(p + 4);
  m->row = wire_get_u16(p + 6);
  m->column = wire_get_u16(p + 8);
  m->lane = wire_get_u8(p + 10);
  m->spare = wire_get_u8(p + 11);
  m->at = wire_get_u64(p + 12);
}
static inline void wire_data_put(uint8_t *p, const struct wire_data *m) {
  wire_put_u32(p + 0, m->id);
  wire_put_u16(p + 4, m->op);
  wire_put_u16(p + 6, m->row);
  wire_put_u16(p + 8, m->column);
  wire_put_u8(p + 10, m->lane);
  wire_put_u8(p + 11, m->spare);
  wire_put_u64(p + 12, m->at);
}

/* Times has the measured times at which operations began, which follow, eight bytes each. */
struct wire_times {
  uint32_t id;
  /* First is the operation of the first. */
  uint16_t first;
};
enum { WIRE_TIMES_SIZE = 6 };
static inline void wire_times_get(const uint8_t *p, struct wire_times *m) {
  m->id = wire_get_u32(p + 0);
  m->first = wire_get_u16(p + 4);
}
static inline void wire_times_put(uint8_t *p, const struct wire_times *m) {
  wire_put_u32(p + 0, m->id);
  wire_put_u16(p + 4, m->first);
}

/* Result says what became of a run. */
struct wire_result {
  uint32_t id;
  uint8_t code;
  uint8_t cause;
  /* Ran is how many operations ran whole. */
  uint16_t ran;
  /* Start and End as measured. */
  uint64_t start;
  uint64_t end;
  /* Device is the device's time when it was judged. */
  uint64_t device;
  /* Slack is how much later the run could have arrived. */
  int64_t slack;
};
enum { WIRE_RESULT_SIZE = 40 };
static inline void wire_result_get(const uint8_t *p, struct wire_result *m) {
  m->id = wire_get_u32(p + 0);
  m->code = wire_get_u8(p + 4);
  m->cause = wire_get_u8(p + 5);
  m->ran = wire_get_u16(p + 6);
  m->start = wire_get_u64(p + 8);
  m->end = wire_get_u64(p + 16);
  m->device = wire_get_u64(p + 24);
  m->slack = wire_get_i64(p + 32);
}
static inline void wire_result_put(uint8_t *p, const struct wire_result *m) {
  wire_put_u32(p + 0, m->id);
  wire_put_u8(p + 4, m->code);
  wire_put_u8(p + 5, m->cause);
  wire_put_u16(p + 6, m->ran);
  wire_put_u64(p + 8, m->start);
  wire_put_u64(p + 16, m->end);
  wire_put_u64(p + 24, m->device);
  wire_put_i64(p + 32, m->slack);
}

/* Released says when every line was inactive. */
struct wire_released {
  uint32_t id;
  uint64_t received;
  uint64_t inactive;
};
enum { WIRE_RELEASED_SIZE = 20 };
static inline void wire_released_get(const uint8_t *p, struct wire_released *m) {
  m->id = wire_get_u32(p + 0);
  m->received = wire_get_u64(p + 4);
  m->inactive = wire_get_u64(p + 12);
}
static inline void wire_released_put(uint8_t *p, const struct wire_released *m) {
  wire_put_u32(p + 0, m->id);
  wire_put_u64(p + 4, m->received);
  wire_put_u64(p + 12, m->inactive);
}

/* Clock answers Alive. */
struct wire_clock {
  uint32_t token;
  uint64_t now;
};
enum { WIRE_CLOCK_SIZE = 12 };
static inline void wire_clock_get(const uint8_t *p, struct wire_clock *m) {
  m->token = wire_get_u32(p + 0);
  m->now = wire_get_u64(p + 4);
}
static inline void wire_clock_put(uint8_t *p, const struct wire_clock *m) {
  wire_put_u32(p + 0, m->token);
  wire_put_u64(p + 4, m->now);
}

/* Safe says that the device is in its safe state: only Hello is heard. */
struct wire_safe {
  uint8_t why;
  uint64_t now;
};
enum { WIRE_SAFE_SIZE = 9 };
static inline void wire_safe_get(const uint8_t *p, struct wire_safe *m) {
  m->why = wire_get_u8(p + 0);
  m->now = wire_get_u64(p + 1);
}
static inline void wire_safe_put(uint8_t *p, const struct wire_safe *m) {
  wire_put_u8(p + 0, m->why);
  wire_put_u64(p + 1, m->now);
}

/* Head begins a program. Its slots follow, and then its operations. */
struct wire_head {
  uint16_t ops;
  uint16_t slots;
  /* Duration of a run. */
  uint64_t duration;
};
enum { WIRE_HEAD_SIZE = 12 };
static inline void wire_head_get(const uint8_t *p, struct wire_head *m) {
  m->ops = wire_get_u16(p + 0);
  m->slots = wire_get_u16(p + 2);
  m->duration = wire_get_u64(p + 4);
}
static inline void wire_head_put(uint8_t *p, const struct wire_head *m) {
  wire_put_u16(p + 0, m->ops);
  wire_put_u16(p + 2, m->slots);
  wire_put_u64(p + 4, m->duration);
}

/* Slot are the bounds of a value that is given anew with every run. */
struct wire_slot {
  int32_t low;
  int32_t high;
};
enum { WIRE_SLOT_SIZE = 8 };
static inline void wire_slot_get(const uint8_t *p, struct wire_slot *m) {
  m->low = wire_get_i32(p + 0);
  m->high = wire_get_i32(p + 4);
}
static inline void wire_slot_put(uint8_t *p, const struct wire_slot *m) {
  wire_put_i32(p + 0, m->low);
  wire_put_i32(p + 4, m->high);
}

/* Select makes all lines inactive, and those of Word active a dead time later. */
struct wire_select {
  uint8_t kind;
  uint64_t word;
  uint64_t dead;
  uint64_t duration;
};
enum { WIRE_SELECT_SIZE = 25 };
static inline void wire_select_get(const uint8_t *p, struct wire_select *m) {
  m->kind = wire_get_u8(p + 0);
  m->word = wire_get_u64(p + 1);
  m->dead = wire_get_u64(p + 9);
  m->duration = wire_get_u64(p + 17);
}
static inline void wire_select_put(uint8_t *p, const struct wire_select *m) {
  wire_put_u8(p + 0, m->kind);
  wire_put_u64(p + 1, m->word);
  wire_put_u64(p + 9, m->dead);
  wire_put_u64(p + 17, m->duration);
}

/* Write writes a register. */
struct wire_write {
  uint8_t kind;
  uint8_t register_;
  /* Slot gives the value, counted from 1; 0 is none. */
  uint8_t slot;
  uint16_t value;
  uint64_t duration;
};
enum { WIRE_WRITE_SIZE = 13 };
static inline void wire_write_get(const uint8_t *p, struct wire_write *m) {
  m->kind = wire_get_u8(p + 0);
  m->register_ = wire_get_u8(p + 1);
  m->slot = wire_get_u8(p + 2);
  m->value = wire_get_u16(p + 3);
  m->duration = wire_get_u64(p + 5);
}
static inline void wire_write_put(uint8_t *p, const struct wire_write *m) {
  wire_put_u8(p + 0, m->kind);
  wire_put_u8(p + 1, m->register_);
  wire_put_u8(p + 2, m->slot);
  wire_put_u16(p + 3, m->value);
  wire_put_u64(p + 5, m->duration);
}

/* Strobe gives a strobe Delay after the operation begins. */
struct wire_strobe {
  uint8_t kind;
  uint8_t strobe;
  /* Slot gives how long before the end of the operation the strobe begins, counted from 1; 0 is none. */
  uint8_t slot;
  uint64_t delay;
  uint64_t width;
  uint64_t duration;
};
enum { WIRE_STROBE_SIZE = 27 };
static inline void wire_strobe_get(const uint8_t *p, struct wire_strobe *m) {
  m->kind = wire_get_u8(p + 0);
  m->strobe = wire_get_u8(p + 1);
  m->slot = wire_get_u8(p + 2);
  m->delay = wire_get_u64(p + 3);
  m->width = wire_get_u64(p + 11);
  m->duration = wire_get_u64(p + 19);
}
static inline void wire_strobe_put(uint8_t *p, const struct wire_strobe *m) {
  wire_put_u8(p + 0, m->kind);
  wire_put_u8(p + 1, m->strobe);
  wire_put_u8(p + 2, m->slot);
  wire_put_u64(p + 3, m->delay);
  wire_put_u64(p + 11, m->width);
  wire_put_u64(p + 19, m->duration);
}

/* Wait lets time pass. */
struct wire_wait {
  uint8_t kind;
  uint64_t duration;
};
enum { WIRE_WAIT_SIZE = 9 };
static inline void wire_wait_get(const uint8_t *p, struct wire_wait *m) {
  m->kind = wire_get_u8(p + 0);
  m->duration = wire_get_u64(p + 1);
}
static inline void wire_wait_put(uint8_t *p, const struct wire_wait *m) {
  wire_put_u8(p + 0, m->kind);
  wire_put_u64(p + 1, m->duration);
}

/* Scan reads a window of pixels. */
struct wire_scan {
  uint8_t kind;
  uint8_t flags;
  /* RowSlot and ColumnSlot are added to Row and Column; counted from 1, 0 is none. */
  uint8_t row_slot;
  uint8_t column_slot;
  uint16_t lanes;
  /* The window. Pixels are ColumnStep and RowStep apart. */
  uint16_t rows;
  uint16_t columns;
  uint16_t row_step;
  uint16_t column_step;
  /* Of the lattice. */
  uint16_t lattice_rows;
  uint16_t lattice_columns;
  int32_t row;
  int32_t column;
  /* Step is the time of one step of the address or counter, RowTime that of one from row to row. */
  uint64_t step;
  uint64_t row_time;
  /* Settle is how long the lanes settle before they are sampled. */
  uint64_t settle;
  /* Interval is from pixel to pixel, RowInterval from row to row. */
  uint64_t interval;
  uint64_t row_interval;
  /* Lead is how long before its sample a pixel's move begins, RowLead the same of the first pixel of a row. */
  uint64_t lead;
  uint64_t row_lead;
  /* Conversion is how long the last conversion takes. */
  uint64_t conversion;
  uint64_t duration;
};
enum { WIRE_SCAN_SIZE = 98 };
static inline void wire_scan_get(const uint8_t *p, struct wire_scan *m) {
  m->kind = wire_get_u8(p + 0);
  m->flags = wire_get_u8(p + 1);
  m->row_slot = wire_get_u8(p + 2);
  m->column_slot = wire_get_u8(p + 3);
  m->lanes = wire_get_u16(p + 4);
  m->rows = wire_get_u16(p + 6);
  m->columns = wire_get_u16(p + 8);
  m->row_step = wire_get_u16(p + 10);
  m->column_step = wire_get_u16(p + 12);
  m->lattice_rows = wire_get_u16(p + 14);
  m->lattice_columns = wire_get_u16(p + 16);
  m->row = wire_get_i32(p + 18);
  m->column = wire_get_i32(p + 22);
  m->step = wire_get_u64(p + 26);
  m->row_time = wire_get_u64(p + 34);
  m->settle = wire_get_u64(p + 42);
  m->interval = wire_get_u64(p + 50);
  m->row_interval = wire_get_u64(p + 58);
  m->lead = wire_get_u64(p + 66);
  m->row_lead = wire_get_u64(p + 74);
  m->conversion = wire_get_u64(p + 82);
  m->duration = wire_get_u64(p + 90);
}
static inline void wire_scan_put(uint8_t *p, const struct wire_scan *m) {
  wire_put_u8(p + 0, m->kind);
  wire_put_u8(p + 1, m->flags);
  wire_put_u8(p + 2, m->row_slot);
  wire_put_u8(p + 3, m->column_slot);
  wire_put_u16(p + 4, m->lanes);
  wire_put_u16(p + 6, m->rows);
  wire_put_u16(p + 8, m->columns);
  wire_put_u16(p + 10, m->row_step);
  wire_put_u16(p + 12, m->column_step);
  wire_put_u16(p + 14, m->lattice_rows);
  wire_put_u16(p + 16, m->lattice_columns);
  wire_put_i32(p + 18, m->row);
  wire_put_i32(p + 22, m->column);
  wire_put_u64(p + 26, m->step);
  wire_put_u64(p + 34, m->row_time);
  wire_put_u64(p + 42, m->settle);
  wire_put_u64(p + 50, m->interval);
  wire_put_u64(p + 58, m->row_interval);
  wire_put_u64(p + 66, m->lead);
  wire_put_u64(p + 74, m->row_lead);
  wire_put_u64(p + 82, m->conversion);
  wire_put_u64(p + 90, m->duration);
}

/* Kinds of pin events. */
enum {
  WIRE_PIN_SELECT = 1, /* the select lines become Word */
  WIRE_PIN_WRITE = 2, /* register Which becomes Value, over Width */
  WIRE_PIN_STROBE = 3, /* strobe Which, Width long */
  WIRE_PIN_ROW = 4, /* the row address becomes Value */
  WIRE_PIN_COLUMN = 5, /* the column address becomes Value */
  WIRE_PIN_CLOCK = 6, /* Count pulses, Width apart, the first at At */
  WIRE_PIN_SAMPLE = 7, /* Count samples of Lanes, the first at At, Interval apart */
  WIRE_PIN_RELEASE = 8, /* every line becomes inactive, and what was armed is void */
  /* PinRoute is of boards whose hardware is modelled: from now on pin Value shows signal Which. RouteBegin as a
   * signal forgets those before; from RouteLane on Which is a lane, and Value its converter. */
  WIRE_PIN_ROUTE = 9,
  /* PinWatch is of them, too: edges at input Which are told from now on; none, where that is NoPin. */
  WIRE_PIN_WATCH = 10,
  /* PinLook asks for the edges up to At. The answer is as many PinEdge as one look tells. */
  WIRE_PIN_LOOK = 11,
  WIRE_PIN_MARK = 12, /* the mark, Width long */
};

/* LookEdges is how many edges one look tells. */
enum {
  WIRE_LOOK_EDGES = 16,
};

/* What PinRoute says beside signals. */
enum {
  WIRE_ROUTE_LANE = 128,
  WIRE_ROUTE_BEGIN = 255,
};

/* PinEvent is what is to happen at the pins, and when. */
struct wire_pin_event {
  uint8_t kind;
  uint8_t which;
  uint16_t lanes;
  uint16_t value;
  uint16_t count;
  /* Step is, of samples, how many columns or pulses apart they are; 0 where the first one was moved to already. */
  uint16_t step;
  /* First says that the first sample is moved to as well. */
  uint8_t first;
  /* Counts says that moves are pulses, Period apart. */
  uint8_t counts;
  uint64_t at;
  uint64_t width;
  uint64_t interval;
  /* Lead is how long before its sample a move begins. */
  uint64_t lead;
  uint64_t word;
};
enum { WIRE_PIN_EVENT_SIZE = 52 };
static inline void wire_pin_event_get(const uint8_t *p, struct wire_pin_event *m) {
  m->kind = wire_get_u8(p + 0);
  m->which = wire_get_u8(p + 1);
  m->lanes = wire_get_u16(p + 2);
  m->value = wire_get_u16(p + 4);
  m->count = wire_get_u16(p + 6);
  m->step = wire_get_u16(p + 8);
  m->first = wire_get_u8(p + 10);
  m->counts = wire_get_u8(p + 11);
  m->at = wire_get_u64(p + 12);
  m->width = wire_get_u64(p + 20);
  m->interval = wire_get_u64(p + 28);
  m->lead = wire_get_u64(p + 36);
  m->word = wire_get_u64(p + 44);
}
static inline void wire_pin_event_put(uint8_t *p, const struct wire_pin_event *m) {
  wire_put_u8(p + 0, m->kind);
  wire_put_u8(p + 1, m->which);
  wire_put_u16(p + 2, m->lanes);
  wire_put_u16(p + 4, m->value);
  wire_put_u16(p + 6, m->count);
  wire_put_u16(p + 8, m->step);
  wire_put_u8(p + 10, m->first);
  wire_put_u8(p + 11, m->counts);
  wire_put_u64(p + 12, m->at);
  wire_put_u64(p + 20, m->width);
  wire_put_u64(p + 28, m->interval);
  wire_put_u64(p + 36, m->lead);
  wire_put_u64(p + 44, m->word);
}

/* PinHello begins the link from a board to the chips that are simulated behind its pins. */
struct wire_pin_hello {
  uint16_t major;
  uint32_t tick_ns;
};
enum { WIRE_PIN_HELLO_SIZE = 6 };
static inline void wire_pin_hello_get(const uint8_t *p, struct wire_pin_hello *m) {
  m->major = wire_get_u16(p + 0);
  m->tick_ns = wire_get_u32(p + 2);
}
static inline void wire_pin_hello_put(uint8_t *p, const struct wire_pin_hello *m) {
  wire_put_u16(p + 0, m->major);
  wire_put_u32(p + 2, m->tick_ns);
}

/* PinEdge is an edge that an input has seen; input NoPin is none. */
struct wire_pin_edge {
  uint8_t input;
  uint8_t level;
  uint64_t at;
};
enum { WIRE_PIN_EDGE_SIZE = 10 };
static inline void wire_pin_edge_get(const uint8_t *p, struct wire_pin_edge *m) {
  m->input = wire_get_u8(p + 0);
  m->level = wire_get_u8(p + 1);
  m->at = wire_get_u64(p + 2);
}
static inline void wire_pin_edge_put(uint8_t *p, const struct wire_pin_edge *m) {
  wire_put_u8(p + 0, m->input);
  wire_put_u8(p + 1, m->level);
  wire_put_u64(p + 2, m->at);
}

#endif
