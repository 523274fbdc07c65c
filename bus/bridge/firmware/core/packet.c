#include "packet.h"

/* CRC-32 as in Ethernet (from memory), half a byte at a time: the table of whole bytes is a kilobyte. */
uint32_t packet_crc(const uint8_t *p, size_t n) {
  static const uint32_t table[16] = {0x00000000, 0x1db71064, 0x3b6e20c8, 0x26d930ac, 0x76dc4190, 0x6b6b51f4,
                                     0x4db26158, 0x5005713c, 0xedb88320, 0xf00f9344, 0xd6d6a3e8, 0xcb61b38c,
                                     0x9b64c2b0, 0x86d3d2d4, 0xa00ae278, 0xbdbdf21c};
  uint32_t crc = UINT32_MAX;
  for (size_t i = 0; i < n; i++) {
    crc ^= p[i];
    crc = crc >> 4 ^ table[crc & 15];
    crc = crc >> 4 ^ table[crc & 15];
  }
  return ~crc;
}

size_t packet_seal(uint8_t *p, size_t n) {
  wire_put_u32(p + n, packet_crc(p, n));
  return n + 4;
}

size_t packet_open(const uint8_t *p, size_t n) {
  if (n < 4 + WIRE_HEADER_SIZE || n > PACKET_MAX || wire_get_u32(p + n - 4) != packet_crc(p, n - 4)) return 0;
  return n - 4;
}

size_t packet_encode(uint8_t *out, const uint8_t *p, size_t n) {
  size_t block = 0; /* out[block] says how many bytes there are up to the next 0 */
  uint8_t code = 1;
  for (size_t i = 0; i < n; i++) {
    if (code == 255) {
      out[block] = code;
      block += 255;
      code = 1;
    }
    if (p[i]) {
      out[block + code] = p[i];
      code++;
    } else {
      out[block] = code;
      block += code;
      code = 1;
    }
  }
  out[block] = code;
  out[block + code] = 0;
  return block + code + 1;
}

static void line_begins(struct packet_line *l) {
  l->n = 0;
  l->left = 0;
  l->code = 255; /* before the first block no 0 is left out */
  l->bad = false;
}

size_t packet_byte(struct packet_line *l, uint8_t byte) {
  if (!byte) {
    size_t n = l->bad || l->left ? 0 : packet_open(l->packet, l->n);
    line_begins(l);
    return n;
  }
  if (l->left) {
    l->left--;
  } else { /* a block begins */
    bool zero = l->code && l->code != 255; /* code is 0 before the first byte ever */
    l->code = byte;
    l->left = (uint8_t)(byte - 1);
    if (!zero) return 0;
    byte = 0;
  }
  if (l->n < PACKET_MAX)
    l->packet[l->n++] = byte;
  else
    l->bad = true;
  return 0;
}
