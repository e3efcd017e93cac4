// Small things every part of the page uses: making elements, asking the board, saying times.

export const site = { timezone: "UTC", units: "metric", mayAct: false };

/** An element with attributes and children; text is always text, never markup. */
export function el(name, attributes = {}, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (value === false || value === null || value === undefined) continue;
    if (key === "on") for (const [event, handler] of Object.entries(value)) made.addEventListener(event, handler);
    else if (key === "class") made.className = value;
    else made.setAttribute(key, value === true ? "" : value);
  }
  made.append(...children.flat().filter((child) => child !== null && child !== undefined && child !== false));
  return made;
}

export class Refusal extends Error {
  constructor(status, detail) {
    super(detail);
    this.status = status;
  }
}

/** Ask the board. Throws Refusal with the board's own sentence, or one that says it did not answer. */
export async function ask(path, method = "GET", body = undefined) {
  const headers = body === undefined ? {} : { "Content-Type": "application/json" };
  let answer;
  try {
    answer = await fetch(path, { method, headers, body: body === undefined ? undefined : JSON.stringify(body), cache: "no-store" });
  } catch {
    throw new Refusal(0, "The board does not answer. Nothing was changed, as far as this phone knows.");
  }
  if (answer.status === 204) return null;
  const told = await answer.json().catch(() => ({}));
  if (!answer.ok) throw new Refusal(answer.status, told.detail || told.title || `refused (${answer.status})`);
  return told;
}

const formats = new Map();
function format(options) {
  const key = `${site.timezone} ${JSON.stringify(options)}`;
  if (!formats.has(key)) formats.set(key, new Intl.DateTimeFormat("en-GB", { timeZone: site.timezone, ...options }));
  return formats.get(key);
}

/** "02:14" at the site. */
export const clock = (ms) => format({ hour: "2-digit", minute: "2-digit" }).format(ms);
/** "Sun 5 Apr, 02:14" at the site. */
export const moment = (ms) => format({ weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" }).format(ms);
/** "Sun 5 Apr" at the site. */
export const day = (ms) => format({ weekday: "short", day: "numeric", month: "short" }).format(ms);

/** The last time the site's clock showed this whole hour, in ms. */
export function lastHour(hour, now) {
  let ms = Math.floor(now / 3600e3) * 3600e3;
  const hourAt = (at) => Number(format({ hour: "2-digit", hourCycle: "h23" }).format(at));
  for (let back = 0; back < 25 && hourAt(ms) !== hour; back += 1) ms -= 3600e3;
  return ms;
}

/** Steps of the calendar; what several flocks want on the same day is one step with all their names. */
export function alike(calendar) {
  const steps = new Map();
  for (const entry of calendar) {
    const key = JSON.stringify([entry.pen, entry.day, entry.what]);
    const flocks = entry.flock ? [entry.flock] : [];
    if (steps.has(key)) steps.get(key).flocks.push(...flocks);
    else steps.set(key, { ...entry, what: entry.what.charAt(0).toUpperCase() + entry.what.slice(1), flocks });
  }
  return [...steps.values()];
}

/** " (heavy cockerels)"; nothing where every flock of the pen wants it. */
export const whose = (entry, flocksInPen) => (entry.flocks.length && entry.flocks.length < flocksInPen ? ` (${entry.flocks.join(", ")})` : "");

export const SIGN = { good: "✓", watch: "▲", bad: "✖", unknown: "?" };
export const VERDICT = { good: "all well", watch: "keep an eye on it", bad: "act now", unknown: "not known" };

let silence;
/** Say what came of it, in the one place that is read aloud; errors stay until the next sentence. */
export function tell(sentence, isError = false) {
  const place = document.getElementById("said");
  clearTimeout(silence);
  place.textContent = sentence;
  place.className = isError ? "wrong" : "";
  if (!isError) silence = setTimeout(() => { place.textContent = ""; }, 8000);
}

/** A button that asks the board once, cannot be pressed twice meanwhile, and says what came of it. */
export function act(label, deed, attributes = {}) {
  const button = el("button", { type: "button", ...attributes, on: { click: () => once(button, deed) } }, label);
  return button;
}

export async function once(button, deed) {
  button.disabled = true;
  try {
    tell((await deed()) || "Done.");
  } catch (error) {
    tell(error.message, true);
  } finally {
    button.disabled = false;
  }
}

/** A form whose fields are read by name when it is sent. */
export function form(label, fields, deed, attributes = {}) {
  const button = el("button", { class: "main" }, label);
  const made = el("form", { ...attributes, on: { submit: (event) => {
    event.preventDefault();
    once(button, () => deed(Object.fromEntries(new FormData(made)), made));
  } } }, fields, button);
  return made;
}

/** A labelled field. */
export const field = (label, input, hint = null) => el("label", {}, el("span", {}, label), input, hint ? el("small", {}, hint) : null);
