// Calls of the daemon's API over HTTP, with the rights of any client.

import { END, Unwrapper, wrap } from "./envelope.mjs";

// ApiError is a refusal of the daemon, or that it could not be reached ("unavailable").
export class ApiError extends Error {
  constructor(code, message, details = []) {
    super(message || code.replaceAll("_", " "));
    this.code = code;
    this.details = details;
  }
}

const TOKEN = "facetd-token";
export const token = {
  get: () => sessionStorage.getItem(TOKEN) ?? "",
  set: (t) => (t ? sessionStorage.setItem(TOKEN, t) : sessionStorage.removeItem(TOKEN)),
};

function headers(kind) {
  const out = { "Content-Type": kind, "Connect-Protocol-Version": "1" };
  if (token.get()) out.Authorization = "Bearer " + token.get();
  return out;
}

// A service is named without its package where that is ours.
async function reach(service, method, kind, body, signal) {
  try {
    return await fetch(`${location.origin}/${service.includes(".") ? service : "facetd.v1." + service}/${method}`, { method: "POST", headers: headers(kind), body, signal, cache: "no-store" });
  } catch (e) {
    if (e.name === "AbortError") throw e;
    throw new ApiError("unavailable", "the daemon cannot be reached");
  }
}

const byStatus = { 400: "internal", 401: "unauthenticated", 403: "permission_denied", 404: "unimplemented", 413: "resource_exhausted", 429: "resource_exhausted" };

async function refusal(response) {
  const body = await response.text();
  try {
    const e = JSON.parse(body);
    if (e.code) return new ApiError(e.code, e.message, e.details);
  } catch {
    // not from the API but from what is before it
  }
  return new ApiError(byStatus[response.status] ?? "unavailable", body.trim().slice(0, 300) || response.statusText);
}

// call makes a call of one answer.
export async function call(service, method, request = {}, { signal, limitMs = 20000 } = {}) {
  const until = AbortSignal.timeout(limitMs);
  const response = await reach(service, method, "application/json", JSON.stringify(request), signal ? AbortSignal.any([signal, until]) : until).catch((e) => {
    throw e.name === "TimeoutError" ? new ApiError("deadline_exceeded", `no answer within ${limitMs / 1000} s; browsers keep at most six connections to one address, so close other windows of this page`) : e;
  });
  if (!response.ok) throw await refusal(response);
  return response.json();
}

// stream yields the messages of a stream until it ends, which is an ApiError unless the
// daemon had no more to say.
export async function* stream(service, method, request, signal) {
  const response = await reach(service, method, "application/connect+json", wrap(request), signal);
  if (!response.ok) throw await refusal(response);
  const reader = response.body.getReader();
  const open = new Unwrapper();
  try {
    for (;;) {
      const { done, value } = await reader.read().catch((e) => {
        throw e.name === "AbortError" ? e : new ApiError("unavailable", "the connection broke");
      });
      if (done) throw new ApiError("unavailable", "the connection ended");
      for (const { flags, message } of open.push(value)) {
        if (flags & END) {
          if (message.error) throw new ApiError(message.error.code, message.error.message, message.error.details);
          return;
        }
        yield message;
      }
    }
  } finally {
    reader.cancel().catch(() => {}); // it may have ended by itself
  }
}
