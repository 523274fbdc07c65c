import assert from "node:assert/strict";
import test from "node:test";
import { END, Unwrapper, wrap } from "../static/envelope.mjs";

const enc = new TextEncoder();

// A plain encoder of the published form: one byte of flags, four of length, the message.
function plain(flags, text) {
  const body = enc.encode(text), out = [flags, body.length >>> 24, (body.length >>> 16) & 255, (body.length >>> 8) & 255, body.length & 255];
  return Uint8Array.from([...out, ...body]);
}

test("wrap is the published form", () => {
  assert.deepEqual([...wrap({ a: 1 })], [0, 0, 0, 0, 7, ...enc.encode('{"a":1}')]);
});

test("messages come whole from any pieces", () => {
  const messages = [{ a: 1 }, {}, { text: "ü — µs" }, { long: "x".repeat(70000) }];
  const bytes = [...messages.map((m) => plain(0, JSON.stringify(m))), plain(END, '{"error":{"code":"unavailable"}}')];
  const all = new Uint8Array(bytes.reduce((n, b) => n + b.length, 0));
  let at = 0;
  for (const b of bytes) {
    all.set(b, at);
    at += b.length;
  }
  for (const size of [1, 2, 3, 5, 6, 1000, 65536, all.length]) {
    const u = new Unwrapper(), got = [];
    for (let i = 0; i < all.length; i += size) got.push(...u.push(all.slice(i, i + size)));
    assert.deepEqual(got.slice(0, -1).map((g) => g.message), messages, `pieces of ${size}`);
    assert.deepEqual(got.at(-1), { flags: END, message: { error: { code: "unavailable" } } });
    assert.equal(u.waiting, 0);
  }
});

test("what cannot be is refused", () => {
  assert.throws(() => new Unwrapper().push(plain(1, "{}")), /compressed/);
  assert.throws(() => new Unwrapper(100).push(plain(0, "x".repeat(101))), /too large/);
  assert.throws(() => new Unwrapper().push(plain(0, "no json")), SyntaxError);
});
