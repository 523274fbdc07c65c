/* Faults of the link of the host build: of packets some are lost, doubled, spoiled, or come behind the next ones. */
#include <stdlib.h>

#include "host.h"

struct faults faults_in = {.state = 1}, faults_out = {.state = 2};

static uint32_t rnd(struct faults *f, uint32_t n) {
  f->state ^= f->state << 13;
  f->state ^= f->state >> 7;
  f->state ^= f->state << 17;
  return (uint32_t)(f->state >> 33) % n;
}

void fault_seed(uint32_t permille, uint32_t seed) {
  faults_in.permille = faults_out.permille = permille;
  faults_in.state = 0x9E3779B97F4A7C15u * (2u * (uint64_t)seed + 1);
  faults_out.state = 0xD1B54A32D192ED03u * (2u * (uint64_t)seed + 1);
}

void fault_pass(struct faults *f, uint8_t peer, uint8_t *packet, size_t n, fault_to to) {
  if (!f->permille || n > sizeof f->late) {
    to(peer, packet, n);
    return;
  }
  if (f->behind && !--f->behind) {
    to(f->late_peer, f->late, f->late_n);
  }
  if (rnd(f, 1000) < f->permille) return;
  if (rnd(f, 1000) < f->permille) to(peer, packet, n);
  if (!f->behind && rnd(f, 1000) < f->permille) {
    f->behind = 1 + rnd(f, 8);
    f->late_peer = peer;
    f->late_n = n;
    memcpy(f->late, packet, n);
    return;
  }
  if (rnd(f, 1000) < f->permille) packet[rnd(f, (uint32_t)n)] ^= (uint8_t)(1u << rnd(f, 8));
  to(peer, packet, n);
}
