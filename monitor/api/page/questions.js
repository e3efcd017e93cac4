// The questions a keeper asks of one pen, one below the other; each is answered when it comes into view.

import { act, alike, ask, day, el, field, form, moment, site, tell, whose } from "./words.js";

const fill = {}; // question → function that answers it
const shownAt = new Map(); // section id → when it was last answered
const REFRESH_MS = 5 * 60_000;
let chosen = null;
let status = null;
let boardNow = () => Date.now();
let changed = async () => {};
let calendar = [];
const air = { measure: "ammonia", days: 1 };

const QUESTIONS = [
  ["warm", "Were they warm through the night?"],
  ["air", "Can they breathe?"],
  ["fan", "What is the fan doing?"],
  ["litter", "What did the bedding do?"],
  ["birds", "How are the birds?"],
  ["journal", "What was done?"],
  ["sensors", "Can I trust the sensors?"],
  ["what-if", "What if the limits were others?"],
  ["settings", "What is it set to?"],
];

const observer = new IntersectionObserver((entries) => {
  for (const entry of entries) if (entry.isIntersecting) answer(entry.target.id);
}, { rootMargin: "200px" });

/** Lay the questions out for one pen; nothing is asked of the board until a question is in view. */
export function drawQuestions(place, pen, tools) {
  ({ boardNow, changed, calendar } = tools);
  const another = chosen !== pen.name;
  status = pen;
  if (another || !place.firstChild) {
    chosen = pen.name;
    observer.disconnect();
    shownAt.clear();
    const sections = QUESTIONS.filter(([id]) => id !== "fan" || pen.fan).map(([id, question]) => el("section", { id, "aria-labelledby": `q-${id}` },
      el("h2", { id: `q-${id}` }, question), el("div", { class: "body" })));
    place.replaceChildren(
      el("nav", { "aria-label": `Questions about ${pen.name}` }, el("p", {}, `About the ${pen.name}:`),
        el("ul", {}, sections.map((section) => el("li", {}, el("a", { href: `#${section.id}`, on: { click: (event) => { event.preventDefault(); go(section.id); } } }, section.querySelector("h2").textContent))))),
      ...sections);
    for (const section of sections) { prepare[section.id]?.(section.querySelector(".body")); observer.observe(section); }
  } else {
    live.fan?.();
    live.birds?.();
    live.sensors?.();
    for (const section of place.querySelectorAll("section")) {
      const box = section.getBoundingClientRect();
      if (box.bottom > 0 && box.top < innerHeight) answer(section.id);
    }
  }
}

/** Forget every answer, so that what is in view is asked anew. */
export function forget() {
  shownAt.clear();
}

function go(id) {
  const section = document.getElementById(id);
  const heading = section.querySelector("h2");
  heading.tabIndex = -1;
  heading.focus({ preventScroll: true });
  section.scrollIntoView({ behavior: matchMedia("(prefers-reduced-motion: reduce)").matches ? "auto" : "smooth" });
}

async function answer(id, anyway = false) {
  if (!fill[id] || (!anyway && Date.now() - (shownAt.get(id) ?? 0) < REFRESH_MS)) return;
  shownAt.set(id, Date.now());
  const section = document.getElementById(id);
  const place = section.querySelector(".answer");
  if (!place) return;
  place.setAttribute("aria-busy", "true");
  try {
    await fill[id](place);
  } catch (error) {
    shownAt.delete(id);
    place.replaceChildren(el("p", { class: "wrong" }, error.message));
  } finally {
    place.removeAttribute("aria-busy");
  }
}

const charts = () => import("/page/charts.js");
/** Draw again only when what is said has changed: what was unfolded stays so, and no button moves under a thumb. */
function whenChanged(said, redraw) {
  let last;
  return () => {
    const now = JSON.stringify(said());
    if (now !== last) { last = now; redraw(); }
  };
}

const prepare = {};
const live = {};

prepare.warm = (body) => body.replaceChildren(el("div", { class: "answer chart" }));
fill.warm = async (place) => (await charts()).drawTonight(place, status, boardNow());

prepare.air = (body) => {
  const measures = [["ammonia", "Ammonia"], ["humidity", "Humidity"], ["carbon_dioxide", "CO₂"]].filter(([measure]) => status.readings.some((reading) => reading.measures === measure));
  if (!measures.length) { body.replaceChildren(el("p", {}, "No sensor here measures the air. Your nose does, at the birds' height: if it stings, it is far too much.")); return; }
  if (!measures.some(([measure]) => measure === air.measure)) air.measure = measures[0][0];
  body.replaceChildren(
    choice("What", measures, air.measure, (value) => { air.measure = value; answer("air", true); }),
    choice("How long", [["1", "Day"], ["7", "Week"], ["90", "Season"]], String(air.days), (value) => { air.days = Number(value); answer("air", true); }),
    el("div", { class: "answer chart" }));
};
fill.air = async (place) => (await charts()).drawAir(place, status, air.measure, air.days, boardNow());

prepare.fan = (body) => {
  const now = el("div");
  body.replaceChildren(now, el("div", { class: "answer" }), site.mayAct ? handSetForm() : "");
  live.fan = whenChanged(() => [status.fan.hand_set?.left_shown, status.fan.reported_running, status.parts.find((each) => each.matter === "fan")?.text],
    () => now.replaceChildren(fanNow()));
  live.fan();
};
fill.fan = async (place) => {
  const { fanChanges, listOf } = await charts();
  const told = await fanChanges(status, boardNow());
  const pen = `/api/pens/${encodeURIComponent(status.name)}`;
  const [sheet, measured] = await Promise.all([ask(`${pen}/ventilation`), ask(`${pen}/air-changes`)]);
  place.replaceChildren(...[
    el("p", {}, `In the last day it ran ${told.hours.toFixed(1)} of ${told.known.toFixed(0)} known hours; ${status.fan.ran_hours.toFixed(1)} h in all.`),
    told.week.length > 1 ? el("p", {}, `Hours a day, the last days before: ${told.week.join(", ")}.`) : null,
    measured.sentence ? el("p", {}, measured.sentence) : null,
    measured.lines?.length ? el("details", {}, el("summary", {}, "How often the air really changed"),
      listOf(measured.lines), ...(measured.notes ?? []).map((note) => el("p", {}, note))) : null,
    el("details", {}, el("summary", {}, "Its last changes"), listOf(told.lines)),
    el("details", { on: { toggle: async (event) => {
      const drawing = event.target.querySelector(".sheet");
      if (event.target.open && !drawing.firstChild) await (await charts()).drawSheet(drawing, status, sheet);
    } } }, el("summary", {}, "Is it big enough, now and in the coming weeks?"), el("div", { class: "sheet" })),
  ].filter(Boolean));
};

function fanNow() {
  const fan = status.fan;
  const part = status.parts.find((each) => each.matter === "fan");
  const reported = fan.reported_running === null ? "Its relay has not reported." : `Its relay says it is ${fan.reported_running ? "running" : "resting"}.`;
  const hand = fan.hand_set ? el("p", {}, `Set by hand by the ${fan.hand_set.by}; it ends by itself in ${fan.hand_set.left_shown}. `,
    site.mayAct ? act("Give it back to the rule now", () => setFan({ running: false, for_s: 0 })) : null) : null;
  return el("div", {}, el("p", { class: "strong" }, part?.text ?? ""), el("p", {}, reported), hand);
}

async function setFan(body) {
  await ask(`/api/pens/${encodeURIComponent(status.name)}/fan`, "PUT", body);
  await changed();
  return body.for_s === 0 ? "The rule has the fan again." : "Set. It ends by itself.";
}

function handSetForm() {
  const speed = status.fan.variable ? field("Speed (%)", el("input", { type: "number", name: "speed", min: status.fan.lowest_speed_pct, max: 100, value: 100, inputmode: "numeric" })) : null;
  return el("details", { class: "choose" }, el("summary", { class: "button" }, "Set it by hand…"),
    el("p", {}, "Not while chicks are cold: the fan pulls the heat out. It ends by itself, always."),
    form("Set it", [
      field("The fan should", el("select", { name: "running" }, el("option", { value: "1" }, "run"), el("option", { value: "" }, "rest"))),
      field("for", el("select", { name: "for_s" }, [["15 minutes", 900], ["1 hour", 3600], ["3 hours", 10800], ["8 hours", 28800]].map(([label, s]) => el("option", { value: s }, label)))),
      speed,
    ], (given) => setFan({ running: Boolean(given.running), for_s: Number(given.for_s), ...(given.running && given.speed ? { speed_pct: Number(given.speed) } : {}) })));
}

prepare.litter = (body) => body.replaceChildren(
  site.mayAct ? quick("Write down at once:", ["litter changed", "litter topped", "litter turned"]) : "",
  el("div", { class: "words" }), el("div", { class: "answer" }));
fill.litter = async (place) => (await import("/page/litter.js")).drawLitter(place, place.parentElement.querySelector(".words"), status,
  (found) => quick("", [{ label: `Mark it: ${found.what} ${day(Date.parse(found.time))}`, entry: { what: found.what, done: found.time } }]));

prepare.birds = (body) => {
  const now = el("div");
  body.replaceChildren(now, el("div", { class: "answer" }), site.mayAct ? countForm() : "");
  live.birds = whenChanged(() => [status.flocks, calendar], () => now.replaceChildren(
    ...(status.flocks.length ? status.flocks.map((flock) => el("p", {},
      el("strong", {}, `${flock.count} ${flock.name}`), ` (${flock.class}), ${flock.age_days === null ? "age not known while the date is not" : `${flock.age_days} days old`}. `,
      flock.target ? `They want ${flock.target.shown} at bird level; below ${flock.target.cold_shown} is too cold, above ${flock.target.hot_shown} too hot (${flock.target.source}).` : "")) : [el("p", {}, "No flock stands in the settings.")]),
    status.floor_per_bird_shown ? el("p", {}, `Floor for each bird: ${status.floor_per_bird_shown}.`) : "",
    nextSteps()));
  live.birds();
};

fill.birds = async (place) => {
  const now = boardNow();
  const { journal } = await ask(`/api/journal?pen=${encodeURIComponent(status.name)}&from=${Math.round(now - 7 * 86_400_000)}&to=${Math.round(now) + 1}`);
  const sum = (what) => journal.filter((entry) => entry.what === what).reduce((total, entry) => total + (entry.count ?? 0), 0);
  const [deaths, eggs] = [sum("deaths"), sum("eggs")];
  place.replaceChildren(el("p", {}, `Written down in the last seven days: ${deaths} ${deaths === 1 ? "death" : "deaths"}, ${eggs} ${eggs === 1 ? "egg" : "eggs"}.`));
  const back = await ask(`/api/pens/${encodeURIComponent(status.name)}/bedding`);
  const lines = [...(back.production?.sentences ?? []), ...(back.trends?.sentences ?? [])];
  place.append(el("p", {}, el("a", { href: `/api/pens/${encodeURIComponent(status.name)}/week.svg`, target: "_blank" }, "The last seven days as a picture"), ", as the weekly sheet brings it."));
  if (lines.length) place.append(el("h3", {}, `The last ${back.trends?.date?.length ?? 28} days`), el("ul", {}, lines.map((line) => el("li", {}, line))));
};

/** What holds now and what comes next, each with its ground one tap away. */
function nextSteps() {
  if (!calendar.length) return "";
  const step = (entry) => el("details", { class: "part" },
    el("summary", {}, `${entry.due ? "Now" : day(Date.parse(entry.day))}: ${entry.what}`, el("span", { class: "when" }, whose(entry, status.flocks.length))), el("p", {}, `${entry.why} (${entry.source})`));
  const steps = alike(calendar);
  const [now, later] = [steps.filter((entry) => entry.due), steps.filter((entry) => !entry.due)];
  return el("div", {}, el("h3", {}, "What they want now and next"), now.map(step), later.slice(0, 4).map(step),
    later.length > 4 ? el("details", {}, el("summary", {}, `${later.length - 4} later steps`), later.slice(4).map(step)) : null);
}

function countForm() {
  const flocks = status.flocks.map((flock) => flock.name);
  return el("details", { class: "choose" }, el("summary", { class: "button" }, "Count birds or eggs…"),
    form("Write it down", [
      field("What", el("select", { name: "what" }, ["deaths", "eggs", "birds in", "birds out"].map((word) => el("option", {}, word)))),
      field("How many", el("input", { type: "number", name: "count", min: 0, required: true, inputmode: "numeric" })),
      flocks.length > 1 ? field("Flock", el("select", { name: "flock" }, flocks.map((name) => el("option", {}, name)))) : null,
      field("Note", el("input", { type: "text", name: "note", maxlength: 1000 })),
    ], async (given, made) => {
      await write({ ...given, count: Number(given.count) });
      made.reset();
      return `Written down: ${given.what} ${given.count}.`;
    }));
}

prepare.journal = (body) => body.replaceChildren(
  site.mayAct ? quick("What did you do?", ["ring widened", "lamp raised", "heat off", "fan cleaned", "sensor calibrated"]) : "",
  site.mayAct ? el("details", { class: "choose" }, el("summary", { class: "button" }, "Write a note…"),
    form("Write it down", [field("Note", el("input", { type: "text", name: "note", required: true, maxlength: 1000 }))], async (given, made) => {
      await write({ what: "note", note: given.note });
      made.reset();
      return "Written down.";
    })) : "",
  el("div", { class: "answer" }));
fill.journal = async (place) => {
  const { journal } = await ask(`/api/journal?pen=${encodeURIComponent(status.name)}`);
  const line = (entry) => el("li", {}, el("span", { class: "when" }, entry.time ? moment(Date.parse(entry.time)) : "not dated yet"), " ",
    el("strong", {}, entry.what), entry.count === null ? "" : ` ${entry.count}`, entry.flock ? ` (${entry.flock})` : "", entry.note ? `: ${entry.note}` : "");
  place.replaceChildren(journal.length ? el("ul", { class: "journal" }, journal.slice(0, 12).map(line)) : el("p", {}, "Nothing is written down yet."),
    journal.length > 12 ? el("details", {}, el("summary", {}, `${journal.length - 12} more`), el("ul", { class: "journal" }, journal.slice(12).map(line))) : "");
};

async function write(entry) {
  await ask("/api/journal", "POST", { pen: status.name, ...entry });
  await changed();
  await answer("journal", true);
  if (entry.count !== undefined) await answer("birds", true);
  if (entry.what.startsWith("litter")) await answer("litter", true);
}

/** Two taps: the first says what, the second writes it. A slip of a wet glove costs nothing. */
function quick(label, words) {
  const sure = el("div", { class: "sure", role: "group", "aria-label": "Sure?" });
  const first = words.map((word) => (typeof word === "string" ? { label: `${word[0].toUpperCase()}${word.slice(1)}`, entry: { what: word } } : word)).map(({ label: face, entry }) => el("button", { type: "button", on: { click: () => {
    const { what } = entry;
    const yes = act(`Write down: ${what}, ${entry.done ? day(Date.parse(entry.done)) : "now"}`, async () => { await write(entry); sure.replaceChildren(); return `Written down: ${what}.`; }, { class: "main" });
    sure.replaceChildren(yes, el("button", { type: "button", class: "quiet", on: { click: () => sure.replaceChildren() } }, "No"));
    yes.focus();
  } } }, face));
  return el("div", { class: "quick", role: "group", "aria-label": label || first[0].textContent }, label ? el("p", {}, label) : "", el("div", { class: "deeds" }, first), sure);
}

const HEALTH = { believed: "believed", unheard: "never heard", silent: "silent", stuck: "stuck on one number", implausible: "gives numbers that cannot be", disagrees: "disagrees with its twin" };

prepare.sensors = (body) => {
  const list = el("div");
  body.replaceChildren(list);
  live.sensors = () => {
    const opened = new Set([...list.querySelectorAll("details[open]")].map((each) => each.dataset.key));
    list.replaceChildren(...status.readings.map((reading) => {
      const details = el("details", { class: `part ${reading.believable ? "good" : "unknown"}`, "data-key": reading.sensor },
        el("summary", {}, el("span", { class: "sign", "aria-hidden": "true" }, reading.believable ? "✓" : "?"), " ",
          `${reading.name}: ${reading.shown ?? "no reading"}, ${HEALTH[reading.health]}`),
        el("p", {}, `Measures ${reading.measures.replaceAll("_", " ")} at the place “${reading.place}”, promised every ${reading.every_s} s. `,
          reading.age_shown ? `The last number is ${reading.age_shown} old. ` : "",
          reading.unreadable ? `${reading.unreadable} messages could not be read, the last because: ${reading.unreadable_cause ?? "?"}. ` : "",
          reading.implausible ? `${reading.implausible} numbers were not physically possible. ` : "", reading.jumps ? `${reading.jumps} jumps. ` : ""),
        el("p", {}, `Topic `, el("code", {}, reading.topic), `. Calibration: × ${reading.calibration_gain}, then + ${reading.calibration_offset} ${reading.unit}.`));
      details.open = opened.has(reading.sensor);
      return details;
    }));
  };
  live.sensors();
};

prepare["what-if"] = (body) => {
  const result = el("div", { class: "tried", tabindex: "-1" });
  body.replaceChildren(
    el("p", {}, "Runs the stored readings through the same rules under other limits. Nothing in the barn changes."),
    site.mayAct ? form("Try it", [
      field("Limit", el("select", { name: "name" }, [["ammonia_birds", "ammonia for birds (ppm)"], ["damp", "damp (%)"], ["dry", "dry (%)"]].map(([value, label]) => el("option", { value }, label)))),
      field("Begins at", el("input", { type: "number", step: "any", name: "on", required: true, inputmode: "decimal" })),
      field("Ends at", el("input", { type: "number", step: "any", name: "off", required: true, inputmode: "decimal" })),
      field("Days back", el("input", { type: "number", name: "days", min: 1, max: 60, value: 14, inputmode: "numeric" })),
    ], async (given) => {
      tell("Trying…");
      const told = await ask(`/api/pens/${encodeURIComponent(status.name)}/rehearsal`, "POST", { limits: { [given.name]: { on: Number(given.on), off: Number(given.off) } }, days: Number(given.days) });
      result.replaceChildren(compared(told));
      result.focus();
      return "Tried.";
    }) : "", result);
};

/** What came of other limits: the sentence, then alarm by alarm now and then. */
function compared(told) {
  if (!told.present || !told.tried) return el("p", { class: "strong" }, told.sentence ?? "The rehearsal gave no figures.");
  const names = [...new Set([...Object.keys(told.present.alarms), ...Object.keys(told.tried.alarms)])].sort();
  const row = (name, now, then) => el("tr", {}, el("th", { scope: "row" }, name), el("td", {}, String(now)), el("td", {}, String(then)));
  return el("div", {}, el("p", { class: "strong" }, told.sentence), el("div", { class: "wide", tabindex: "0", role: "region", "aria-label": "What came of it" }, el("table", {},
    el("thead", {}, el("tr", {}, el("td", {}), el("th", { scope: "col" }, "as it is"), el("th", { scope: "col" }, "as tried"))),
    el("tbody", {}, row("fan hours", told.present.fan_hours.toFixed(1), told.tried.fan_hours.toFixed(1)),
      names.map((name) => row(`alarm: ${say(name)}`, told.present.alarms[name] ?? 0, told.tried.alarms[name] ?? 0))))));
}

prepare.settings = (body) => body.replaceChildren(el("details", { on: { toggle: async (event) => {
  const place = event.target.querySelector("div");
  if (!event.target.open || place.firstChild) return;
  try { place.replaceChildren(plainly(await ask("/api/settings"))); } catch (error) { place.replaceChildren(el("p", { class: "wrong" }, error.message)); }
} } }, el("summary", {}, "Everything as resolved, each limit with its source"), el("div", {})));

function choice(label, options, present, chosenOne) {
  const name = `choice-${label.replaceAll(" ", "-")}`;
  return el("fieldset", { class: "choice" }, el("legend", {}, label), options.map(([value, text]) => el("label", {},
    el("input", { type: "radio", name, value, checked: value === present, on: { change: () => chosenOne(value) } }), el("span", {}, text))));
}

const isTable = (rows) => rows.length > 0 && rows.every((row) => row !== null && typeof row === "object" && !Array.isArray(row));
const say = (key) => key.replaceAll("_", " ");

/** Any sheet of figures, plainly: names and values, rows as a table, nothing hidden. */
export function plainly(told) {
  if (told === null || typeof told !== "object") return el("span", {}, told === null ? "not known" : typeof told === "number" ? String(Math.round(told * 1000) / 1000) : String(told));
  if (Array.isArray(told)) {
    if (!told.length) return el("span", {}, "none");
    if (!isTable(told)) return el("ul", {}, told.map((each) => el("li", {}, plainly(each))));
    const keys = [...new Set(told.flatMap(Object.keys))];
    return el("div", { class: "wide", tabindex: "0", role: "region", "aria-label": "Table" }, el("table", {}, el("thead", {}, el("tr", {}, keys.map((key) => el("th", { scope: "col" }, say(key))))),
      el("tbody", {}, told.map((row) => el("tr", {}, keys.map((key) => el("td", {}, key in row ? plainly(row[key]) : "")))))));
  }
  return el("dl", {}, Object.entries(told).flatMap(([key, value]) => [el("dt", {}, say(key)), el("dd", {}, plainly(value))]));
}
