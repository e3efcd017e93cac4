// Tonight, the air and the fan: what was asked of the board, put into drawings and a sentence each.

import { draw } from "./drawing.js";
import { ask, clock, day, el, lastHour, moment } from "./words.js";

export const DAY_MS = 86_400_000;
const pen = (name) => `/api/pens/${encodeURIComponent(name)}`;

/** One measure over time, each sensor a column in display units. */
async function columnsOf(name, measure, place, fromMs, toMs, points = 500) {
  const where = place ? `&place=${encodeURIComponent(place)}` : "";
  const told = await ask(`${pen(name)}/series?measure=${measure}${where}&from=${Math.round(fromMs)}&to=${Math.round(toMs)}&points=${points}`);
  const { gain, offset, symbol, digits } = told.shown;
  const shown = (si) => (si - offset) / gain;
  const columns = told.series.map((series) => ({
    name: series.name, place: series.place, unit: symbol, digits: Math.max(digits, measure === "temperature" ? 1 : 0),
    time_ms: series.time_ms, mean: series.mean.map(shown), low: series.low.map(shown), high: series.high.map(shown),
  }));
  return { told, columns, shown, symbol, digits };
}

function lowest(columns) {
  let found = null;
  for (const column of columns) {
    column.low.forEach((value, at) => { if (found === null || value < found.value) found = { value, time_ms: column.time_ms[at], name: column.name }; });
  }
  return found;
}

/** Bird level and outside since dusk, against the band these birds want. */
export async function drawTonight(place, status, now) {
  // "Dusk" is six in the evening at the site: plain, the same all year, and named in the heading.
  let fromMs = lastHour(18, now);
  if (now - fromMs < 2 * 3600e3) fromMs = now - 6 * 3600e3;
  const [birds, outside] = await Promise.all([
    columnsOf(status.name, "temperature", "bird level", fromMs, now),
    columnsOf(status.name, "temperature", "outside", fromMs, now),
  ]);
  const zones = (birds.told.band ?? []).map((step) => ({ from_ms: step.from_ms, low: birds.shown(step.low), high: birds.shown(step.high) }));
  const last = birds.told.band?.at(-1);
  const limits = last ? [{ value: birds.shown(last.cold), label: "too cold", always: true }, { value: birds.shown(last.hot), label: "too hot", always: false }] : [];
  const low = lowest(birds.columns);
  const outLow = lowest(outside.columns);
  const outlook = status.tonight ? `Tonight ${status.tonight.low_shown} is to be expected at bird level at the lowest, ${status.tonight.from_shown.replace(/ °[CF]$/, "")} to ${status.tonight.to_shown} nine nights in ten${status.tonight.outside_low_shown ? `; outside ${status.tonight.outside_low_shown}` : ""}.` : "";
  const wanted = status.target ? `wanted ${status.target.shown}` : "no birds in, nothing wanted";
  const said = [low ? `Lowest at bird level ${low.value.toFixed(1)} ${birds.symbol} at ${clock(low.time_ms)}, ${wanted}.` : "No reading at bird level.",
    outLow ? `Outside down to ${outLow.value.toFixed(1)} ${birds.symbol} at ${clock(outLow.time_ms)}.` : "", outlook].filter(Boolean).join(" ");
  const columns = [...birds.columns, ...outside.columns.map((column) => ({ ...column, stroke: "line-d" }))];
  await draw(place, { title: `${status.name}: warmth since ${clock(fromMs)}`, summary: said, columns, zones, limits, fromMs, toMs: now });
}

const MEASURES = { ammonia: "Ammonia", humidity: "Humidity", carbon_dioxide: "Carbon dioxide" };
const LIMIT_WORDS = { ammonia_birds: "limit for birds", ammonia_people: "limit for people", damp: "too damp", dry: "too dry", carbon_dioxide: "limit" };

/** One measure of the air with its limits, the fan along the foot, the dawn peaks marked. */
export async function drawAir(place, status, measure, days, now) {
  const fromMs = now - days * DAY_MS;
  const [air, fan] = await Promise.all([
    columnsOf(status.name, measure, null, fromMs, now),
    status.fan ? ask(`${pen(status.name)}/fan?from=${Math.round(fromMs)}&to=${Math.round(now)}&points=${days > 30 ? 120 : 288}`) : null,
  ]);
  const inside = air.columns.filter((column) => column.place === "bird level" || column.place === "room");
  const limits = air.told.limits.map((limit) => ({ value: air.shown(limit.value), always: limit.name !== "ammonia_people" && limit.name !== "dry", label: `${LIMIT_WORDS[limit.name] ?? limit.name} ${air.shown(limit.value).toFixed(0)} ${air.symbol}` }));
  const peaks = measure === "ammonia" ? dawnPeaks(inside, days) : [];
  const top = peaks.at(-1);
  const now_ = inside[0]?.mean.at(-1);
  const said = [now_ === undefined ? "Nothing stored." : `${MEASURES[measure]} now ${now_.toFixed(air.digits)} ${air.symbol}.`,
    top ? `Last peak near dawn: ${top.value.toFixed(air.digits)} ${air.symbol} at ${days > 1 ? moment(top.time_ms) : clock(top.time_ms)}.` : "",
    fan ? `The fan ran ${fan.ran_hours.toFixed(1)} of ${fan.known_hours.toFixed(0)} h.` : ""].filter(Boolean).join(" ");
  await draw(place, { title: `${status.name}: ${MEASURES[measure].toLowerCase()}`, summary: said, columns: inside, limits, fan, marks: peaks, fromMs, toMs: now, overDays: days > 1, fromZero: measure === "ammonia" });
}

/** The highest ammonia between three and ten in the morning, for each of the last days. */
function dawnPeaks(columns, days) {
  const best = new Map();
  for (const column of columns) {
    column.mean.forEach((value, at) => {
      const ms = column.time_ms[at];
      const hour = Number(clock(ms).slice(0, 2));
      if (hour < 3 || hour >= 10 || value === null) return;
      const key = day(ms);
      if (!best.has(key) || best.get(key).value < value) best.set(key, { time_ms: ms, value, label: "dawn" });
    });
  }
  return days > 14 ? [] : [...best.values()].sort((a, b) => a.time_ms - b.time_ms);
}

/** The fan's last changes in words, newest first. */
export async function fanChanges(status, now) {
  const stretch = (days, points) => ask(`${pen(status.name)}/fan?from=${Math.round(now - days * DAY_MS)}&to=${Math.round(now)}&points=${points}`);
  const [told, week] = await Promise.all([stretch(1, 48), stretch(7, 7)]);
  const lines = [];
  for (const change of told.changes) {
    const said = `${change.state === "running" ? "on" : "off"} ${change.reason_shown}`;
    if (lines.length && lines.at(-1).reason === change.reason && lines.at(-1).timer) { lines.at(-1).from = change.time; continue; }
    lines.push({ from: change.time, to: change.time, said, reason: change.reason, timer: /timer|cold|not known|believable/.test(change.reason) });
  }
  return { week: week.share.filter((share) => share !== null).map((share) => (24 * share).toFixed(1)), hours: told.ran_hours, known: told.known_hours, lines: lines.slice(0, 12).map((line) => (line.from === line.to ? `${clock(Date.parse(line.from))}: ${line.said}` : `${clock(Date.parse(line.from))} to ${clock(Date.parse(line.to))}: on its timer ${line.said.replace(/^(on|off) /, "")}`)) };
}

export const measuresOf = (status) => Object.keys(MEASURES).filter((measure) => status.readings.some((reading) => reading.measures === measure));
export const measureWord = (measure) => MEASURES[measure];
export const listOf = (lines) => el("ul", {}, lines.map((line) => el("li", {}, line)));

const NEED = { moisture: "moisture", carbon_dioxide: "carbon dioxide", ammonia: "ammonia", heat: "heat", minimum: "the least air" };
const need = (name) => (name === null || name === undefined ? "" : NEED[name] ?? String(name).replaceAll("_", " "));

/** The ventilation sheet: what to change first, then how far the fan goes in each coming week, per need. */
export async function drawSheet(place, status, sheet) {
  if (!sheet?.weeks?.length) {
    place.replaceChildren(el("p", {}, sheet?.sentence ?? "Not reckoned yet: it needs birds, a fan and the pen's size in the settings."));
    return;
  }
  const drawing = el("div", { class: "chart" });
  const heads = ["week from", "birds", "winter night", "governed by", "summer day", "governed by"];
  // small chicks breathe so little that any fan is hundreds of times enough: drawn up to three times
  const share = (adequacy) => (adequacy === null || adequacy === undefined ? "cannot be told" : adequacy >= 10 ? `${Math.round(adequacy)} times` : `${Math.round(adequacy * 100)} %`);
  const row = (week) => [day(Date.parse(week.day)), week.birds, share(week.winter_night.adequacy), need(week.winter_night.governing), share(week.summer_day.adequacy), need(week.summer_day.governing)];
  const sentences = (head, lines) => (lines?.length ? [el("h3", {}, head), el("ul", {}, lines.map((line) => el("li", {}, line)))] : []);
  const first = sheet.weeks[0];
  const needs = [...new Set([...Object.keys(first.winter_night.needs), ...Object.keys(first.summer_day.needs)])];
  const table = (label, columns, rows) => el("div", { class: "wide", tabindex: "0", role: "region", "aria-label": label }, el("table", {},
    el("thead", {}, el("tr", {}, columns.map((head) => el("th", { scope: "col" }, head)))),
    el("tbody", {}, rows.map((cells) => el("tr", {}, cells.map((cell, at) => (at ? el("td", {}, String(cell)) : el("th", { scope: "row" }, cell))))))));
  place.replaceChildren(...[
    drawing,
    el("h3", {}, "Air delivered, of air each need asks, this week"),
    table("Every need this week", ["need", "winter night", "summer day"], needs.map((name) => [need(name), met(first.winter_night.needs[name], share), met(first.summer_day.needs[name], share)])),
    ...sentences("What a change would give", sheet.advice), ...sentences("What the fan moves now", sheet.fan), ...sentences("On the coldest usual night, this week", sheet.tonight),
    el("details", {}, el("summary", {}, "Week by week"),
      table("Week by week", heads, sheet.weeks.map(row))),
    sheet.notes?.length ? el("details", {}, el("summary", {}, "What to keep in mind"), el("ul", {}, sheet.notes.map((line) => el("li", {}, line)))) : null,
  ].filter(Boolean));
  const times = sheet.weeks.map((week) => Date.parse(week.day));
  const line = (name, season, stroke) => ({ name, unit: "%", digits: 0, stroke, time_ms: times, mean: sheet.weeks.map((week) => (week[season].adequacy === null ? null : 100 * week[season].adequacy)) });
  const most = Math.max(...sheet.weeks.flatMap((week) => [week.winter_night.adequacy ?? 0, week.summer_day.adequacy ?? 0]));
  const shortIn = (season) => sheet.weeks.find((week) => week[season].adequacy !== null && week[season].adequacy < 1);
  const told = [["winter_night", "a winter night"], ["summer_day", "a summer day"]].map(([season, words]) => {
    const short = shortIn(season);
    const worst = sheet.weeks.filter((week) => week[season].adequacy !== null).sort((a, b) => a[season].adequacy - b[season].adequacy)[0];
    if (short) return `On ${words} it falls short ${short === sheet.weeks[0] ? "already now" : `from ${day(Date.parse(short.day))} on`}: ${share(worst[season].adequacy)} of what ${need(worst[season].governing)} asks, at worst.`;
    return worst ? `On ${words} it is enough in every week reckoned here: ${share(worst[season].adequacy)} of what is asked, at worst.` : `For ${words} it cannot be told.`;
  });
  if (most > 3) told.push("Drawn up to three times enough; what lies above is not shown.");
  await draw(drawing, {
    title: `${status.name}: air delivered, of air required`,
    summary: told.join(" "),
    columns: [line("winter night", "winter_night", "line-b"), line("summer day", "summer_day", "line-a")],
    limits: [{ value: 100, label: "enough", always: true }], fromMs: times[0], toMs: Math.max(times.at(-1), times[0] + 7 * DAY_MS), overDays: true, top: most > 3 ? 320 : null,
  });
}

/** How far one need is met, in words; one that no air can meet says why. */
const met = (told, share) => (told === undefined ? "" : told.cannot_meet ? `air cannot meet it: ${told.cannot_meet}` : share(told.adequacy));
