/* Packets, for boards whose link is a serial line, or loses or spoils what goes over it: a frame with its CRC-32 behind
 * it, and on a serial line encoded by COBS, so that no byte of it is 0, with a 0 behind it. */
#ifndef PACKET_H
#define PACKET_H

#include "link.h"

enum {
  PACKET_MAX = LINK_FRAME + 4,
  PACKET_CODED = PACKET_MAX + PACKET_MAX / 254 + 2, /* encoded, with the 0 */
};

uint32_t packet_crc(const uint8_t *p, size_t n);

/* Puts the CRC behind a frame, which has room for it. Returns the length of the packet. */
size_t packet_seal(uint8_t *p, size_t n);

/* The length of the frame in a packet; 0 where it was spoiled. */
size_t packet_open(const uint8_t *p, size_t n);

/* Encodes a packet for a serial line. Returns its length, with the 0. */
size_t packet_encode(uint8_t *out, const uint8_t *p, size_t n);

/* What has come of a packet over a serial line. */
struct packet_line {
  uint8_t packet[PACKET_MAX];
  size_t n;
  uint8_t left, code; /* of the block: bytes to come, and how it began */
  bool bad;           /* it is too long, or ends within a block */
};

/* Takes a byte. Returns the length of the frame in l->packet that it ends; 0 where it ends none. */
size_t packet_byte(struct packet_line *l, uint8_t byte);

#endif
