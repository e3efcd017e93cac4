// The litter: every period a line from its own day nought, so that periods can be compared; and what was done, in two taps.

import { draw } from "./drawing.js";
import { ask, day, el, site } from "./words.js";

const caution = (warning) => el("p", { class: "watch" }, `▲ ${warning}`);

/** Lines of ammonia by day of the litter, the present period drawn strongest, and what the last change did. */
export async function drawLitter(place, words, status, mark) {
  const told = await ask(`/api/pens/${encodeURIComponent(status.name)}/bedding`);
  const periods = (told.periods ?? []).filter((period) => period.day?.length);
  const changes = [...(told.changes ?? [])].reverse();
  // a date alone would promise too much: it stands beside the days left and their interval
  const left = [told.days_left?.text, told.due?.text].filter(Boolean).join(" ");
  const said = [told.sentence, left, changes[0]?.text].filter(Boolean);
  words.replaceChildren(
    ...(said.length ? said.map((sentence) => el("p", {}, sentence)) : [el("p", {}, "No litter period is known yet: write it down when you next change, top or turn the litter.")]),
    ...[...(changes[0]?.warnings ?? []), ...(told.warnings ?? [])].map(caution),
    ...(told.suggested ?? []).map((found) => el("div", { class: "suggested" }, el("p", {}, found.text), site.mayAct && found.time ? mark(found) : "")),
    changes.length > 1 ? el("details", {}, el("summary", {}, `What earlier changes did (${changes.length - 1})`),
      el("ul", {}, changes.slice(1).map((change) => el("li", {}, change.text, ...(change.warnings ?? []).map(caution))))) : "",
  );
  if (!periods.length) { place.replaceChildren(); return; }
  const shown = periods.slice(-4);
  const longest = Math.max(...shown.flatMap((period) => period.day));
  await draw(place, {
    title: `${status.name}: ammonia by day of the litter`,
    summary: shown.map((period) => period.text).filter(Boolean).join(" "),
    columns: shown.map((period, at) => ({
      name: `${period.what} ${day(Date.parse(period.began))}${at === shown.length - 1 ? " (now)" : ""}`, unit: "ppm", digits: 1, time_ms: period.day, mean: period.level_ppm,
      stroke: at === shown.length - 1 ? "line-a" : ["line-d", "line-c", "line-b"][(shown.length - 2 - at) % 3],
    })),
    limits: told.limit_ppm ? [{ value: told.limit_ppm, label: `limit for birds ${told.limit_ppm} ppm`, always: true }] : [],
    fromMs: 0, toMs: longest, xLabel: "day of the litter",
  });
}
