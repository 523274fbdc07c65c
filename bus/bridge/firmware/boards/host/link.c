/* The link of the host build. Over a stream each frame comes behind its length; over datagrams, and over a
 * pseudo-terminal that stands for a serial line, frames are packets. On those faults can be injected. Who comes second
 * is heard, too: the core says whether the device is his. */
#include <errno.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/socket.h>
#include <termios.h>
#include <unistd.h>

#include "../../core/packet.h"
#include "host.h"

enum { PEERS = 2, OUT_BYTES = 1 << 16 };

static enum { STREAM, DATAGRAMS, LINE, STEPS } kind;

static int listener = -1; /* or the socket of datagrams, or the pseudo-terminal */

static struct peer {
  int fd; /* of a stream */
  struct sockaddr_storage address; /* of datagrams */
  socklen_t address_n;
  uint8_t in[4 + LINK_FRAME], out[OUT_BYTES];
  size_t in_n, out_n;
} peers[PEERS] = {{.fd = -1}, {.fd = -1}};

static struct packet_line line;

/* A pseudo-terminal, at a path. */
static int terminal(const char *path) {
  int fd = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC);
  if (fd < 0 || grantpt(fd) || unlockpt(fd)) return -1;
  int end = open(ptsname(fd), O_RDWR | O_NOCTTY | O_CLOEXEC); /* stays open: a serial line does not know who listens */
  struct termios t;
  if (end < 0 || tcgetattr(end, &t)) return -1;
  cfmakeraw(&t);
  if (tcsetattr(end, TCSANOW, &t)) return -1;
  unlink(path);
  return symlink(ptsname(fd), path) ? -1 : fd;
}

bool link_listen(const char *address) {
  if (!strcmp(address, "steps:")) {
    kind = STEPS;
    return true;
  }
  if (!strncmp(address, "pty:", 4)) {
    kind = LINE;
    listener = terminal(address + 4);
  } else {
    kind = strncmp(address, "udp:", 4) ? STREAM : DATAGRAMS;
    listener = open_socket(address, true);
  }
  if (listener < 0) die("the address of the link cannot be listened on");
  fcntl(listener, F_SETFL, O_NONBLOCK);
  return kind != STREAM;
}

unsigned link_fds(int *fds, short *events) {
  fds[0] = listener;
  events[0] = (short)(POLLIN | (kind == LINE && peers[0].out_n ? POLLOUT : 0));
  unsigned n = 1;
  for (unsigned i = 0; i < PEERS; i++) {
    if (peers[i].fd < 0) continue;
    fds[n] = peers[i].fd;
    events[n++] = (short)(POLLIN | (peers[i].out_n ? POLLOUT : 0));
  }
  return n;
}

static void hang_up(uint8_t i) {
  if (peers[i].fd < 0) return;
  close(peers[i].fd);
  peers[i].fd = -1;
  peers[i].in_n = peers[i].out_n = 0;
  core_link_reset(i);
}

size_t board_link_room(uint8_t i) {
  if (i >= PEERS) return 0;
  if (kind == STEPS) return i == 0 ? steps_room : 0;
  if (kind == DATAGRAMS) return peers[i].address_n ? LINK_FRAME : 0;
  if (kind == STREAM && peers[i].fd < 0) return 0;
  size_t taken = peers[i].out_n + (PACKET_CODED - LINK_FRAME);
  return taken < OUT_BYTES ? OUT_BYTES - taken : 0;
}

static void to_peer(uint8_t i, const uint8_t *packet, size_t n) {
  struct peer *p = &peers[i];
  if (kind == STEPS) {
    steps_room -= n < steps_room ? n : steps_room;
    for (size_t k = 0; k < n; k++) printf("%02x", packet[k]);
    printf("\n");
  } else if (kind == DATAGRAMS)
    sendto(listener, packet, n, 0, (struct sockaddr *)&p->address, p->address_n); /* what does not go is lost */
  else if (PACKET_CODED <= OUT_BYTES - p->out_n)
    p->out_n += packet_encode(p->out + p->out_n, packet, n);
}

void board_send(uint8_t i, const uint8_t *frame, size_t n) {
  if (i >= PEERS) return;
  struct peer *p = &peers[i];
  if (kind == STREAM) {
    wire_put_u32(p->out + p->out_n, (uint32_t)n);
    memcpy(p->out + p->out_n + 4, frame, n);
    p->out_n += 4 + n;
    return;
  }
  uint8_t packet[PACKET_MAX];
  memcpy(packet, frame, n);
  fault_pass(&faults_out, i, packet, packet_seal(packet, n), to_peer);
}

static void flush_out(uint8_t i) {
  struct peer *p = &peers[i];
  size_t done = 0;
  while (done < p->out_n) {
    ssize_t k = write(kind == LINE ? listener : p->fd, p->out + done, p->out_n - done);
    if (k < 0 && (errno == EAGAIN || errno == EINTR)) break;
    if (k <= 0) {
      hang_up(i);
      return;
    }
    done += (size_t)k;
  }
  memmove(p->out, p->out + done, p->out_n - done);
  p->out_n -= done;
}

/* Takes the frame that is whole, if one is; false where none is, or the stream cannot be read any more. */
static bool one_frame(uint8_t i) {
  struct peer *p = &peers[i];
  if (p->in_n < 4) return false;
  uint32_t n = wire_get_u32(p->in);
  if (n < WIRE_HEADER_SIZE || n > LINK_FRAME) {
    hang_up(i);
    return false;
  }
  if (p->in_n < 4 + n) return false;
  core_frame(i, p->in + 4, n);
  memmove(p->in, p->in + 4 + n, p->in_n - 4 - n);
  p->in_n -= 4 + n;
  return true;
}

/* The place for who has come: not that of the host. */
static uint8_t place(void) { return core_peer() == 0 ? 1 : 0; }

static void pump_stream(void) {
  int fresh = accept4(listener, NULL, NULL, SOCK_NONBLOCK | SOCK_CLOEXEC);
  if (fresh >= 0) {
    uint8_t i = peers[0].fd < 0 ? 0 : peers[1].fd < 0 ? 1 : place();
    hang_up(i);
    peers[i].fd = fresh;
    int one = 1;
    setsockopt(fresh, IPPROTO_TCP, TCP_NODELAY, &one, sizeof one); /* of no use on a Unix socket, and no harm */
  }
  for (uint8_t i = 0; i < PEERS; i++) {
    while (peers[i].fd >= 0) {
      if (one_frame(i)) continue;
      if (peers[i].fd < 0) break;
      ssize_t k = recv(peers[i].fd, peers[i].in + peers[i].in_n, sizeof peers[i].in - peers[i].in_n, 0);
      if (k < 0 && (errno == EAGAIN || errno == EINTR)) break;
      if (k <= 0) {
        hang_up(i);
        break;
      }
      peers[i].in_n += (size_t)k;
    }
  }
}

static void from_peer(uint8_t i, const uint8_t *packet, size_t n) {
  n = packet_open(packet, n);
  if (n) core_frame(i, packet, n);
}

static void pump_datagrams(void) {
  for (;;) {
    struct sockaddr_storage from = {0};
    socklen_t from_n = sizeof from;
    uint8_t packet[PACKET_MAX + 1];
    ssize_t k = recvfrom(listener, packet, sizeof packet, 0, (struct sockaddr *)&from, &from_n);
    if (k < 0) return;
    uint8_t i = 0;
    while (i < PEERS && (peers[i].address_n != from_n || memcmp(&peers[i].address, &from, from_n))) i++;
    if (i == PEERS) {
      i = place();
      peers[i].address = from;
      peers[i].address_n = from_n;
    }
    fault_pass(&faults_in, i, packet, (size_t)k, from_peer);
  }
}

void link_packet(uint8_t *packet, size_t n) { fault_pass(&faults_in, 0, packet, n, from_peer); }

/* What has come whole over the line is sealed again for its turn at faults. */
static void pump_line(void) {
  uint8_t some[4096];
  ssize_t k;
  while ((k = read(listener, some, sizeof some)) > 0)
    for (ssize_t b = 0; b < k; b++) {
      size_t n = packet_byte(&line, some[b]);
      if (!n) continue;
      uint8_t packet[PACKET_MAX];
      memcpy(packet, line.packet, n);
      fault_pass(&faults_in, 0, packet, packet_seal(packet, n), from_peer);
    }
}

void link_pump(void) {
  if (kind == STREAM) pump_stream();
  if (kind == DATAGRAMS) pump_datagrams();
  if (kind == LINE) pump_line();
}

void link_flush(void) {
  if (kind == DATAGRAMS) return;
  for (uint8_t i = 0; i < PEERS; i++)
    if (peers[i].out_n) flush_out(i);
}
