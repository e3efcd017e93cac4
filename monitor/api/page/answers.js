// The answers: open alarms first, then one sentence a pen with its evidence one tap away.

import { SIGN, VERDICT, act, alike, ask, el, moment, site, whose } from "./words.js";

const SET_ASIDE = [["15 minutes", 900], ["1 hour", 3600], ["until morning (8 hours)", 8 * 3600], ["1 day", 86400]];
const LONGEST_URGENT_S = 3600;
const opened = new Set(); // evidence a person has opened stays open when news come

/** Alarms of the site and all pens, those that need someone first. */
export function drawAlarms(place, alarms, changed) {
  const open = alarms.filter((alarm) => ["unacknowledged", "acknowledged", "returned"].includes(alarm.state));
  const aside = alarms.filter((alarm) => ["shelved", "out of service"].includes(alarm.state));
  const covered = alarms.filter((alarm) => alarm.state === "suppressed");
  const parts = open.map((alarm) => alarmCard(alarm, changed));
  if (aside.length) {
    parts.push(remembered("aside", el("details", { class: "aside" },
      el("summary", {}, `Set aside: ${aside.length}`),
      aside.map((alarm) => asideLine(alarm, changed)))));
  }
  if (covered.length) {
    parts.push(remembered("covered", el("details", { class: "aside" },
      el("summary", {}, `Follows from something above or expected: ${covered.length}`),
      covered.map((alarm) => el("p", {}, alarm.title)))));
  }
  replaceKeepingFocus(place, parts);
}

function alarmCard(alarm, changed) {
  const mine = alarm.may_acknowledge;
  const over = alarm.state === "returned";
  const card = el("section", { class: `alarm ${alarm.priority} ${alarm.state}`, "aria-labelledby": `t-${alarm.id}` },
    el("h2", { id: `t-${alarm.id}` }, el("span", { class: "sign", "aria-hidden": "true" }, over ? "✓" : "✖"), " ", alarm.title),
    el("p", { class: "standing" }, standing(alarm)),
    alarm.body ? el("p", {}, alarm.body) : null,
    alarm.steps.length && !over ? el("ol", { class: "first-steps", "aria-label": "What to do first" }, alarm.steps.map((step) => el("li", {}, step))) : null);
  if (site.mayAct) {
    const deeds = el("div", { class: "deeds" });
    if (mine) {
      deeds.append(act(over ? "I have seen it" : "I have it", async () => {
        await ask(`/api/alarms/${alarm.id}/acknowledge`, "POST");
        await changed();
        return "You have it. The messages stop; the trouble does not.";
      }, { class: "main", "data-key": `ack-${alarm.id}` }));
    }
    if (!over) deeds.append(setAside(alarm, changed));
    card.append(deeds);
  }
  return card;
}

function standing(alarm) {
  const since = alarm.raised ? `since ${moment(Date.parse(alarm.raised))}` : alarm.raised_ago_shown ? `for ${alarm.raised_ago_shown}` : "";
  const how = { urgent: "Urgent", high: "High", medium: "Medium", low: "Low" }[alarm.priority];
  if (alarm.state === "returned") return "It is over by itself; nobody has seen it yet.";
  if (alarm.state === "acknowledged") return `${how}, ${since}. ${alarm.acknowledged_by} has it.`;
  return `${how}, ${since}. Nobody has it yet.`;
}

function setAside(alarm, changed) {
  const choices = SET_ASIDE.filter(([, seconds]) => alarm.priority !== "urgent" || seconds <= LONGEST_URGENT_S);
  return remembered(`aside-${alarm.id}`, el("details", { class: "choose" },
    el("summary", { class: "button" }, "Set aside for…"),
    choices.map(([label, seconds]) => act(label, async () => {
      await ask(`/api/alarms/${alarm.id}/shelve`, "POST", { for_s: seconds });
      opened.delete(`aside-${alarm.id}`);
      await changed();
      return `Set aside for ${label}.`;
    }, { "data-key": `shelve-${alarm.id}-${seconds}` }))));
}

function asideLine(alarm, changed) {
  const left = alarm.shelved_left_shown ? `, for ${alarm.shelved_left_shown} more, by ${alarm.shelved_by}` : "";
  const line = el("p", {}, `${alarm.title} (${alarm.state}${left})`);
  if (site.mayAct && alarm.state === "shelved") {
    line.append(" ", act("Take it back", async () => {
      await ask(`/api/alarms/${alarm.id}/shelve`, "POST", { for_s: 0 });
      await changed();
      return "Back among the open ones.";
    }));
  }
  return line;
}

/** One article a pen: its sentence, part by part; behind each part the numbers and where the limit comes from. */
export function drawAnswers(place, pens, chosen, calendar) {
  replaceKeepingFocus(place, pens.map((pen) => {
    const due = alike(calendar.filter((entry) => entry.pen === pen.name));
    return el("article", { class: "pen", "aria-labelledby": `pen-${pen.name}` },
      el("h2", { id: `pen-${pen.name}`, class: pen.verdict },
        el("span", { class: "sign", "aria-hidden": "true" }, SIGN[pen.verdict]), " ",
        pens.length > 1 ? el("a", { href: `#/${encodeURIComponent(pen.name)}`, "aria-current": pen.name === chosen ? "true" : false, "data-key": `pen-${pen.name}` }, pen.name) : pen.name,
        el("span", { class: "verdict" }, VERDICT[pen.verdict])),
      el("div", { class: "sentence" }, pen.parts.map((part) => partOf(pen, part))),
      due.length ? el("h3", { class: "due-head" }, "To do now") : null,
      due.length ? el("ul", { class: "due", "aria-label": `Due in ${pen.name}` }, due.map((entry) => el("li", {}, entry.what, whose(entry, pen.flocks.length)))) : null);
  }));
}

function partOf(pen, part) {
  const key = `part-${pen.name}-${part.matter}`;
  const details = remembered(key, el("details", { class: `part ${part.verdict}` },
    el("summary", { "data-key": key },
      el("span", { class: "sign", "aria-hidden": "true" }, SIGN[part.verdict]), " ",
      part.text, el("span", { class: "hidden" }, ` (${VERDICT[part.verdict]})`))));
  // Built only when looked at: ages change with every reading, and a closed one must not redraw the page.
  if (details.open) details.append(evidenceOf(pen, part));
  else details.addEventListener("toggle", () => details.append(evidenceOf(pen, part)), { once: true });
  return details;
}

const LABEL = {
  value: "now", limit: "limit", clears_at: "clears at", target_low: "wanted from", target_high: "wanted to", cold: "too cold at", hot: "too hot at",
  source: "where the limit comes from", for_s: "for", age_days: "age in days", flock: "flock", rung: "decided by", sensor: "sensor", note: "note",
  timer_on_s: "seconds on", timer_period_s: "of every (s)", by: "by", ammonia_ppm: "ammonia (ppm)",
};

function evidenceOf(pen, part) {
  const shown = part.evidence.shown ?? {};
  const rows = Object.entries(part.evidence)
    .filter(([key, value]) => value !== null && !["unit", "shown"].includes(key))
    .map(([key, value]) => [el("dt", {}, LABEL[key] ?? key.replaceAll("_", " ")), el("dd", {}, String(shown[key] ?? value))]);
  const measures = { warmth: ["temperature"], air: ["ammonia", "carbon_dioxide"], damp: ["humidity"] }[part.matter] ?? [];
  const lines = pen.readings.filter((reading) => measures.includes(reading.measures)).map((reading) =>
    el("li", {}, `${reading.name} (${reading.place}): ${reading.shown ?? "no reading"}, ${reading.age_shown ? `${reading.age_shown} old` : "never heard"}${reading.believable ? "" : `, not believed: ${reading.health}`}`));
  return el("div", { class: "evidence" }, el("dl", {}, rows.flat()), lines.length ? el("ul", {}, lines) : null);
}

function remembered(key, details) {
  details.open = opened.has(key);
  details.addEventListener("toggle", () => (details.open ? opened.add(key) : opened.delete(key)));
  return details;
}

/** New content, without taking the keyboard away from whoever is in the middle of it. */
function replaceKeepingFocus(place, parts) {
  const signature = parts.map((part) => part.outerHTML).join("");
  if (place.dataset.signature === signature) return;
  place.dataset.signature = signature;
  const focused = place.contains(document.activeElement) ? document.activeElement.closest("[data-key]")?.dataset.key : null;
  place.replaceChildren(...parts);
  if (focused) place.querySelector(`[data-key="${CSS.escape(focused)}"]`)?.focus();
}
