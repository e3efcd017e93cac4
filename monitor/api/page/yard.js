// Every site of the yard: its sentence and its open alarms, those that need someone first.

import { Refusal, SIGN, VERDICT, ask, el } from "./words.js";

const EVERY_MS = 10_000;
const STATES = { unacknowledged: "Nobody has it yet.", acknowledged: "Somebody has it.", returned: "It is over by itself; nobody has seen it yet." };
const at = (id) => document.getElementById(id);
let heardMs = 0;

function alarmCard(alarm) {
  const over = alarm.state === "returned";
  return el("div", { class: `alarm ${alarm.priority} ${alarm.state}` },
    el("p", { class: "standing" }, el("span", { class: "sign", "aria-hidden": "true" }, over ? "✓" : "✖"), " ", alarm.title),
    el("p", {}, STATES[alarm.state] ?? ""));
}

function siteSection(told, number) {
  return el("section", { class: "pen", "aria-labelledby": `site-${number}` },
    el("h2", { id: `site-${number}`, class: told.verdict },
      el("span", { class: "sign", "aria-hidden": "true" }, SIGN[told.verdict]), " ", told.site, " ",
      el("span", { class: "verdict" }, told.state === "answering" ? VERDICT[told.verdict] : told.state)),
    told.sentence ? el("p", { class: "wrong" }, told.sentence) : null,
    told.alarms.map(alarmCard),
    told.pens.map((pen) => el("p", {}, el("strong", {}, pen.pen), ": ", pen.answer)),
    told.heard_ago_shown ? el("p", { class: "when" }, `heard ${told.heard_ago_shown} ago`) : null);
}

function draw(yard) {
  at("news").textContent = "";
  at("news").className = "";
  document.body.classList.remove("stale");
  const ringing = yard.sites.reduce((sum, told) => sum + told.alarms.filter((alarm) => alarm.state === "unacknowledged").length, 0);
  document.title = `${ringing ? `(${ringing}) ` : ""}The yard`;
  if (!yard.watched) {
    at("sites").replaceChildren(el("p", {}, "This board does not listen to other sites. To see them here, write ", el("code", {}, "[yard] watch = true"), " into its settings."));
    return;
  }
  const sections = yard.sites.map(siteSection);
  if (yard.sites_left_out) sections.push(el("p", { class: "wrong" }, "More sites speak on this broker than can be shown."));
  at("sites").replaceChildren(...(sections.length ? sections : [el("p", {}, "No site has been heard yet.")]));
}

async function look() {
  try {
    draw(await ask("/api/yard"));
    heardMs = Date.now();
  } catch (error) {
    if (error instanceof Refusal && error.status === 401) {
      at("news").textContent = "";
      at("sites").replaceChildren(el("p", {}, "You are not signed in. ", el("a", { href: "/" }, "Sign in"), ", then come back here."));
    } else {
      document.body.classList.add("stale");
      at("news").className = "wrong";
      at("news").textContent = heardMs ? `${error.message} What stands here is ${Math.round((Date.now() - heardMs) / 1000)} s old.` : error.message;
    }
  }
  setTimeout(look, EVERY_MS);
}

look();
