// The line to the board: the event stream, and how long ago the last news came.

import { clock } from "./words.js";

const QUIET_MS = 25_000; // two heartbeats and a half

export class Live {
  #source = null;
  #last = 0;
  #boardMs = null;
  #handlers;
  #place;

  constructor(place, handlers) {
    this.#place = place;
    this.#handlers = handlers;
    setInterval(() => this.#say(), 1000);
    document.addEventListener("visibilitychange", () => {
      // A phone that slept shows the past until the board has spoken again.
      if (document.visibilityState === "visible") { this.#say(); this.open(); }
    });
    addEventListener("offline", () => this.close());
    addEventListener("online", () => this.open());
  }

  open() {
    if (this.#source && this.#source.readyState !== EventSource.CLOSED) return;
    const source = new EventSource("/api/stream");
    this.#source = source;
    for (const name of ["site", "pen", "beat"]) {
      source.addEventListener(name, (event) => {
        const told = JSON.parse(event.data);
        this.heard(name === "site" ? (told.time ? Date.parse(told.time) : null) : told.wall_ms ?? undefined);
        this.#handlers[name]?.(told);
      });
    }
    source.addEventListener("signed_out", () => { this.close(); this.#handlers.signedOut(); });
    // The browser tries again by itself while CONNECTING; a refused answer closes for good, so we try later.
    source.addEventListener("error", () => {
      if (source.readyState === EventSource.CLOSED) setTimeout(() => { if (this.#source === source) this.#handlers.refused(); }, 4000);
    });
  }

  close() {
    this.#source?.close();
    this.#source = null;
  }

  /** News came. `boardMs` is the board's own clock, null while it is not trusted, undefined when not said. */
  heard(boardMs) {
    this.#last = Date.now();
    if (boardMs !== undefined) this.#boardMs = boardMs;
    this.#say();
  }

  get isFresh() {
    return this.#last > 0 && Date.now() - this.#last < QUIET_MS;
  }

  #say() {
    const fresh = this.isFresh;
    document.body.classList.toggle("stale", !fresh);
    this.#place.classList.toggle("wrong", !fresh);
    let sentence = "Waiting for the board…";
    if (fresh) sentence = this.#boardMs === null ? "Live. The board's clock is not trusted yet." : `Live, ${clock(this.#boardMs + Date.now() - this.#last)}`;
    else if (this.#last) sentence = `No news since ${clock(this.#boardMs ?? this.#last)}. What stands below is how it was then.`;
    if (this.#place.textContent !== sentence) this.#place.textContent = sentence;
    if (fresh !== this.wasFresh) { this.wasFresh = fresh; this.#handlers.freshness(fresh); }
  }
}
