/* The link to the host, over what may lose frames, double them or change their order: what is sent goes into a ring and
 * is sent again until it is acknowledged, and what arrives is given out once, in order. Either side sends no more frames
 * than the other has room for. */
#ifndef LINK_H
#define LINK_H

#include "board.h"

/* How many frames are taken that were not given out yet: a power of two, at most WIRE_MAX_WINDOW. */
#ifndef CORE_WINDOW
#define CORE_WINDOW 4
#endif

/* Bytes of the ring. */
#ifndef CORE_RING
#define CORE_RING 8192
#endif

enum { LINK_FRAME = WIRE_HEADER_SIZE + WIRE_MAX_PAYLOAD, LINK_RECORD = 12 };

struct link_message {
  uint8_t type;
  uint32_t seq;
  const uint8_t *payload; /* stays until the next frame is taken */
  size_t n;
};

/* Whether a number comes before another: they begin again behind the highest. */
static inline bool link_before(uint32_t a, uint32_t b) { return a - b > UINT32_MAX / 2; }

/* Begins a session with a host that takes so many frames: nothing of the one before is left. */
void link_begin(uint32_t session, uint8_t peer, uint16_t window);

/* Nobody is there any more. */
void link_end(void);

/* Whether there is a session with that number, and a peer with that one who is there. */
bool link_is(uint32_t session, uint8_t peer);

/* How many frames that tell of edges are not acknowledged. */
unsigned link_edges(void);

/* Bytes of frames, with LINK_RECORD for each, that the ring takes. */
size_t link_room(void);

/* Where a message is written before it is sent. */
extern uint8_t link_out[WIRE_MAX_PAYLOAD];

/* Sends the message that was written, of so many bytes, for which the ring has room. */
void link_send(uint8_t type, size_t n);

/* Sends a message without a number, at once: it is lost where the board has no room for it. */
void link_at_once(uint32_t session, uint8_t peer, uint8_t type, const uint8_t *payload, size_t n);

/* Takes a frame of the session that has a number. False: it has come before, or is none of those that can come now. */
bool link_take(const struct wire_header *h, const uint8_t *payload);

/* Takes what a frame of the session acknowledges; got is what an Ack says of frames behind one that is missing. */
void link_acknowledged(uint32_t ack, uint64_t got);

/* Gives out the next message. False: it has not come yet. */
bool link_next(struct link_message *m);

/* Sends what there is to send, as far as the board has room. */
void link_poll(void);

#endif
