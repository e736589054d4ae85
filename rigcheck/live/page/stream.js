// The one connection to rigcheck: pictures and readings as they come, and again by itself after a break.

const SILENCE_MS = 3500;
const RETRY_MS = [200, 500, 1000, 2000];
const LENGTHS = 8;

/** Listens for ever. `on` has hello, reading, picture(header, bytes) and broken(reason). */
export async function listen(on) {
  for (let tries = 0; ; tries += 1) {
    const started = performance.now();
    try {
      await once(on);
      on.broken("rigcheck ended the connection");
    } catch (error) {
      if (error.needsCode) { location.reload(); return; }
      on.broken("no connection to rigcheck");
    }
    if (performance.now() - started > 5000) tries = 0;
    await new Promise((done) => { setTimeout(done, RETRY_MS[Math.min(tries, RETRY_MS.length - 1)]); });
  }
}

async function once(on) {
  const abort = new AbortController();
  let heard = performance.now();
  const watch = setInterval(() => { if (performance.now() - heard > SILENCE_MS) abort.abort(); }, 500);
  try {
    const answer = await fetch("/stream", { signal: abort.signal, cache: "no-store" });
    if (answer.status === 401) throw Object.assign(new Error("a code is needed"), { needsCode: true });
    if (!answer.ok) throw new Error(`status ${answer.status}`);
    const reader = answer.body.getReader();
    let rest = new Uint8Array(0);
    for (;;) {
      const { done, value } = await reader.read();
      if (done) return;
      heard = performance.now();
      rest = handOut(joined(rest, value), on);
    }
  } finally {
    clearInterval(watch);
    abort.abort();
  }
}

function joined(first, second) {
  if (first.length === 0) return second;
  const both = new Uint8Array(first.length + second.length);
  both.set(first);
  both.set(second, first.length);
  return both;
}

/** Hands out every whole message, and gives back what is left of the bytes. */
function handOut(bytes, on) {
  let at = 0;
  while (bytes.length - at >= LENGTHS) {
    const lengths = new DataView(bytes.buffer, bytes.byteOffset + at, LENGTHS);
    const head = lengths.getUint32(0);
    const body = lengths.getUint32(4);
    if (bytes.length - at < LENGTHS + head + body) break;
    const from = at + LENGTHS;
    const header = JSON.parse(new TextDecoder().decode(bytes.subarray(from, from + head)));
    at = from + head + body;
    on[header.kind](header, bytes.slice(from + head, at));
  }
  return bytes.slice(at);
}

/**
 * rigcheck's clock as seen from here. Every message that arrives says that it was sent before now, and every question
 * answered that it was asked before the answer: between these two lies how far the one clock is ahead of the other.
 * Bounds older than two spans are forgotten, since clocks drift.
 */
export class Clock {
  #spans = [{ low: -Infinity, high: Infinity }, { low: -Infinity, high: Infinity }];

  constructor() {
    setInterval(() => { this.#spans = [this.#spans[1], { low: -Infinity, high: Infinity }]; this.ask(); }, 20000);
  }

  /** Notes a message of that time on rigcheck's clock, which has just arrived. */
  heard(sentS) {
    this.#spans[1].low = Math.max(this.#spans[1].low, sentS * 1000 - performance.now());
  }

  async ask() {
    try {
      for (let i = 0; i < 5; i += 1) {
        const asked = performance.now();
        const answer = await fetch("/clock", { cache: "no-store" });
        const { now_s: nowS } = await answer.json();
        this.heard(nowS);
        this.#spans[1].high = Math.min(this.#spans[1].high, nowS * 1000 - asked);
      }
    } catch {
      // The line broke: the stream says so.
    }
  }

  /** How long ago a time on rigcheck's clock was, in ms; NaN before that is known. */
  ageMs(thenS) {
    const low = Math.max(this.#spans[0].low, this.#spans[1].low);
    const high = Math.min(this.#spans[0].high, this.#spans[1].high);
    return performance.now() + (low + high) / 2 - thenS * 1000;
  }
}
