// The envelopes of streams over HTTP, by the Connect protocol: a byte of flags, the
// length as 32 bits with the highest byte first, then the message. Pure.

export const END = 2; // flag of the last envelope, which says how the stream ended
const COMPRESSED = 1;
const HEAD = 5;

// wrap puts a message into an envelope.
export function wrap(message) {
  const body = new TextEncoder().encode(JSON.stringify(message));
  const out = new Uint8Array(HEAD + body.length);
  new DataView(out.buffer).setUint32(1, body.length);
  out.set(body, HEAD);
  return out;
}

// Unwrapper takes bytes as they come, in whatever pieces, and gives back what is whole.
export class Unwrapper {
  #parts = [];
  #have = 0;
  #limit;

  constructor(limit = 64 << 20) {
    this.#limit = limit;
  }

  // push returns the messages that the piece completed, as {flags, message}.
  push(piece) {
    this.#parts.push(piece);
    this.#have += piece.length;
    const out = [];
    for (;;) {
      if (this.#have < HEAD) return out;
      const head = this.#peek(HEAD);
      const length = new DataView(head.buffer, head.byteOffset).getUint32(1);
      if (head[0] & COMPRESSED) throw new Error("a compressed message, which was not asked for");
      if (length > this.#limit) throw new Error(`a message of ${length} bytes is too large for this page`);
      if (this.#have < HEAD + length) return out;
      const whole = this.#take(HEAD + length).subarray(HEAD);
      out.push({ flags: head[0], message: JSON.parse(new TextDecoder().decode(whole)) });
    }
  }

  // waiting is how many bytes are not yet a whole message.
  get waiting() {
    return this.#have;
  }

  #peek(n) {
    if (this.#parts[0].length < n) this.#join();
    return this.#parts[0].subarray(0, n);
  }

  #take(n) {
    if (this.#parts[0].length < n) this.#join();
    const first = this.#parts[0];
    this.#parts[0] = first.subarray(n);
    if (this.#parts[0].length === 0) this.#parts.shift();
    this.#have -= n;
    return first.subarray(0, n);
  }

  #join() {
    const all = new Uint8Array(this.#have);
    let at = 0;
    for (const p of this.#parts) {
      all.set(p, at);
      at += p.length;
    }
    this.#parts = [all];
  }
}
