// The page: sentences first, then questions. This file joins the parts and holds what the board last said.

import { drawAlarms, drawAnswers } from "./answers.js";
import { drawDoor, drawFoot } from "./door.js";
import { Live } from "./live.js";
import { drawQuestions, forget } from "./questions.js";
import { Refusal, ask, clock, site, tell } from "./words.js";

const at = (id) => document.getElementById(id);
const barn = { site: null, pens: new Map(), calendar: [], boardMs: null, heardMs: 0 };

const boardNow = () => (barn.boardMs === null ? Date.now() : barn.boardMs + Date.now() - barn.heardMs);
const chosenPen = () => {
  const named = decodeURIComponent(location.hash.replace(/^#\//, ""));
  return barn.pens.has(named) ? named : [...barn.pens.keys()][0];
};

const live = new Live(at("news"), {
  site: (told) => { take(told); draw(); },
  pen: (told) => { barn.pens.set(told.name, told); draw(); },
  signedOut: () => enter(),
  refused: () => enter(),
  freshness: () => draw(),
});

function take(told) {
  barn.site = told;
  barn.boardMs = told.time ? Date.parse(told.time) : null;
  barn.heardMs = Date.now();
  site.timezone = told.timezone;
  site.units = told.units;
}

let waiting = false;
/** Draw once for all the news of one moment. */
function draw() {
  if (waiting || !barn.site) return;
  waiting = true;
  requestAnimationFrame(() => {
    waiting = false;
    const pens = [...barn.pens.values()];
    at("site").textContent = barn.site.site;
    dim();
    drawAlarms(at("alarms"), [...barn.site.alarms, ...pens.flatMap((pen) => pen.alarms)].sort(byNeed), refresh);
    const chosen = chosenPen();
    drawAnswers(at("answers"), pens, chosen, barn.calendar.filter((entry) => entry.due && isNew(entry.day)));
    if (barn.pens.has(chosen)) drawQuestions(at("questions"), barn.pens.get(chosen), { boardNow, changed: refresh, calendar: barn.calendar.filter((entry) => entry.pen === chosen) });
    ring([...barn.site.alarms, ...pens.flatMap((pen) => pen.alarms)]);
    const ringing = [...barn.site.alarms, ...pens.flatMap((pen) => pen.alarms)].filter((alarm) => alarm.state === "unacknowledged").length;
    if (!performance.getEntriesByName("answered").length) performance.mark("answered");
    document.title = `${ringing ? `(${ringing}) ` : ""}${barn.site.site}`;
  });
}

const STATES = ["unacknowledged", "acknowledged", "returned"];
const PRIORITIES = ["urgent", "high", "medium", "low"];
const byNeed = (a, b) => (STATES.indexOf(a.state) + 9) % 9 - (STATES.indexOf(b.state) + 9) % 9 || PRIORITIES.indexOf(a.priority) - PRIORITIES.indexOf(b.priority);

/** Due since yesterday or today: under the sentence stands what to do, not what was done long ago. */
const isNew = (day) => boardNow() - Date.parse(day) < 2 * 86_400_000;

const rung = new Set();
/** Read a new alarm aloud, once for each time it is raised. */
function ring(alarms) {
  for (const alarm of alarms) {
    const key = `${alarm.id} ${alarm.occurrence}`;
    if (alarm.state !== "unacknowledged" || rung.has(key)) continue;
    rung.add(key);
    at("ring").textContent = `Alarm: ${alarm.title}`;
  }
}

/** Dimmer between nine and six at the barn: a bright page at three in the morning wakes the rest of the house. */
function dim() {
  const hour = Number(clock(boardNow()).slice(0, 2));
  const night = hour >= 21 || hour < 6;
  if (document.body.classList.contains("night") === night) return;
  document.body.classList.toggle("night", night);
  forget(); // drawings hold their colours
}

async function refresh() {
  const told = await ask("/api/status");
  take(told);
  barn.pens = new Map(told.pens.map((pen) => [pen.name, pen]));
  live.heard(barn.boardMs);
  draw();
}

/** Come in: what the board says now, then its stream; or the door for whoever is not signed in. */
async function enter() {
  try {
    const early = await window.firstStatus;
    window.firstStatus = null; // good once: later it would be old
    const told = early?.ok ? await early.json() : await ask("/api/status");
    site.mayAct = told.signed_in.may_act;
    at("door").hidden = true;
    at("door").replaceChildren();
    take(told);
    barn.pens = new Map(told.pens.map((pen) => [pen.name, pen]));
    live.heard(barn.boardMs);
    draw();
    live.open();
    drawFoot(at("foot"), { may_act: site.mayAct }, leave);
    ask("/api/calendar").then((calendar) => { barn.calendar = Array.isArray(calendar) ? calendar : []; draw(); }).catch(() => {});
  } catch (error) {
    if (error instanceof Refusal && error.status === 401) { await leave(); return; }
    tell(error.message, true);
    setTimeout(enter, 5000);
  }
}

async function leave() {
  live.close();
  barn.site = null;
  for (const id of ["alarms", "answers", "questions", "foot"]) { at(id).replaceChildren(); delete at(id).dataset.signature; }
  forget();
  drawDoor(at("door"), await ask("/api/me"), enter);
  at("news").textContent = "";
}

addEventListener("hashchange", () => { draw(); if (location.hash.startsWith("#/set-up/")) enter(); });
// Only on the board itself or over https do browsers allow it; without it the page works, but does not open offline.
if ("serviceWorker" in navigator) navigator.serviceWorker.register("/worker.js").catch(() => {});
enter();
