/* The link of the host build: frames on a stream, each behind its length. The last who connected is the host. */
#include <errno.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <sys/socket.h>
#include <unistd.h>

#include "host.h"

enum { FRAME = WIRE_HEADER_SIZE + WIRE_MAX_PAYLOAD, OUT_BYTES = 1 << 20 };

static int listener = -1, host = -1;
static uint8_t in[4 + FRAME], out[OUT_BYTES];
static size_t in_n, out_n;

void link_listen(const char *address) {
  listener = open_socket(address, true);
  if (listener < 0) die("the address of the link cannot be listened on");
  fcntl(listener, F_SETFL, O_NONBLOCK);
}

unsigned link_fds(int *fds, short *events) {
  fds[0] = listener;
  events[0] = POLLIN;
  if (host < 0) return 1;
  fds[1] = host;
  events[1] = (short)((board_link_room() >= CORE_LINK_RESERVE ? POLLIN : 0) | (out_n ? POLLOUT : 0));
  return 2;
}

static void hang_up(void) {
  if (host < 0) return;
  close(host);
  host = -1;
  in_n = out_n = 0;
  core_link_reset();
}

size_t board_link_room(void) { return OUT_BYTES - out_n; }

void board_send(const uint8_t *frame, size_t n) {
  if (host < 0 || 4 + n > OUT_BYTES - out_n) return; /* nobody hears; the host notices what is missing by its number */
  wire_put_u32(out + out_n, (uint32_t)n);
  memcpy(out + out_n + 4, frame, n);
  out_n += 4 + n;
}

static void flush_out(void) {
  size_t done = 0;
  while (host >= 0 && done < out_n) {
    ssize_t k = send(host, out + done, out_n - done, 0);
    if (k < 0 && (errno == EAGAIN || errno == EINTR)) break;
    if (k <= 0) {
      hang_up();
      return;
    }
    done += (size_t)k;
  }
  memmove(out, out + done, out_n - done);
  out_n -= done;
}

/* Takes the frame that is whole, if one is; false where none is, or the stream cannot be read any more. */
static bool one_frame(void) {
  if (in_n < 4) return false;
  uint32_t n = wire_get_u32(in);
  if (n < WIRE_HEADER_SIZE || n > FRAME) {
    hang_up();
    return false;
  }
  if (in_n < 4 + n) return false;
  core_frame(in + 4, n);
  memmove(in, in + 4 + n, in_n - 4 - n);
  in_n -= 4 + n;
  return true;
}

void link_pump(void) {
  int fresh = accept4(listener, NULL, NULL, SOCK_NONBLOCK | SOCK_CLOEXEC);
  if (fresh >= 0) {
    hang_up();
    host = fresh;
    int one = 1;
    setsockopt(host, IPPROTO_TCP, TCP_NODELAY, &one, sizeof one); /* of no use on a Unix socket, and no harm */
  }
  while (host >= 0 && board_link_room() >= CORE_LINK_RESERVE) {
    if (one_frame()) continue;
    if (host < 0) break;
    ssize_t k = recv(host, in + in_n, sizeof in - in_n, 0);
    if (k < 0 && (errno == EAGAIN || errno == EINTR)) break;
    if (k <= 0) {
      hang_up();
      break;
    }
    in_n += (size_t)k;
  }
  flush_out();
}
