// Draws one bench. Knows what a bench's state looks like; knows no socket and keeps no state of it.

import * as words from "./words.js";

const $ = (id) => document.getElementById(id);

/** Change a text only where it differs: a screen reader and the browser hear of less. */
export function text(element, value) {
  if (element.textContent !== value) element.textContent = value;
}

export function make(tag, className = "", content = "") {
  const element = document.createElement(tag);
  if (className) element.className = className;
  if (content) element.textContent = content;
  return element;
}

export function shape(name, className = "icon") {
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  const use = document.createElementNS("http://www.w3.org/2000/svg", "use");
  svg.setAttribute("class", className);
  svg.setAttribute("aria-hidden", "true");
  use.setAttribute("href", `#s-${name}`);
  svg.append(use);
  return svg;
}

function setShape(svg, name) {
  const use = svg.firstElementChild;
  if (use.getAttribute("href") !== `#s-${name}`) use.setAttribute("href", `#s-${name}`);
}

// The cup is stretched where it matters: up to three quarters of the target fill 35 % of it.
const KNOTS = [[0, 0], [0.75, 0.35], [1, 0.84], [1.06, 1]];

/** How high a share of the target stands, 0 to 1. */
export function height(share) {
  const at = Math.min(1.06, Math.max(0, share));
  for (let i = 1; i < KNOTS.length; i += 1) {
    const [low, lowAt] = KNOTS[i - 1];
    const [high, highAt] = KNOTS[i];
    if (at <= high) return lowAt + ((highAt - lowAt) * (at - low)) / (high - low);
  }
  return 1;
}

const percent = (share) => `${(100 * share).toFixed(2)}%`;

/** The big panel, with `lost` as its word where nothing is known: the state's shape, word and colour, the figure, the cup's level and its marks. */
export function hero(bench, live, now_ms, lost) {
  const { dispense, timers } = bench;
  const stale = lost !== "";
  const look = words.look(dispense, lost, timers);
  const places = words.decimals(dispense?.division_g);
  const panel = $("hero");
  panel.dataset.tone = look.tone;
  panel.dataset.stale = stale ? "yes" : "no";
  setShape($("hero-shape"), look.shape);
  text($("hero-word"), look.word);
  panel.style.setProperty("--letters", words.letters(look.word));
  const shown = stale ? { figure: "–", says: "not known now", room: "000" } : words.focus(dispense, live, timers, now_ms);
  text($("figure"), shown.figure);
  text($("figure-says"), shown.says);
  const wide = Math.max(words.units(shown.figure), words.units(shown.room), 2.4);
  panel.style.setProperty("--units", wide.toFixed(2));
  const poured = Boolean(dispense?.target_g) && dispense.step !== "cup";
  panel.dataset.poured = poured ? "yes" : "no";
  text($("figure-more"), stale ? "" : poured ? more(dispense, live, places) : (shown.more ?? ""));
  drawCup(poured ? dispense : null, live, places, stale);
  soonest(timers, now_ms, poured);
  text($("prompt"), stale ? "" : (dispense?.prompt ?? ""));
  const caution = dispense?.caution ?? "";
  $("caution").hidden = !caution;
  text($("caution-text"), caution);
  text($("hero-read"), readOut(dispense, look, shown, stale));
  return look;
}

function more(dispense, live, places) {
  if (live.actual_g === null) return "";
  const told = [`${words.grams(live.actual_g, places)} of ${words.grams(dispense.target_g, places)} g`];
  if (live.landing_g !== null && dispense.step === "pour") {
    told.push(`lands ${words.grams(live.landing_g, places)}`);
  }
  return told.join(" · ");
}

function readOut(dispense, look, shown, stale) {
  if (!dispense) return "Nothing heard of this bench yet.";
  if (stale) return "The bench is not heard; what it weighs is not known now.";
  const part = dispense.part ? `, part ${dispense.part}` : "";
  return `${look.word}${part}. ${shown.figure} ${shown.says}.`;
}

const MARKS = [
  ["ease", (d) => d.stops_g?.coarse],
  ["stop", (d) => d.stops_g?.fine],
  ["target", (d) => d.target_g],
  ["lands", (d, live) => (d.step === "pour" ? live.landing_g : null)],
];

function drawCup(dispense, live, places, stale) {
  const level = $("level");
  const gauge = $("gauge");
  gauge.hidden = !dispense;
  if (!dispense) {
    level.style.height = "0";
    gauge.replaceChildren();
    return;
  }
  const target = dispense.target_g;
  level.style.height = percent(stale ? 0 : height((live.actual_g ?? 0) / target));
  const band = dispense.tolerance_g ?? 0;
  const low = height((target - band) / target);
  const high = height((target + band) / target);
  let strip = gauge.querySelector(".band");
  if (!strip) gauge.append((strip = make("div", "band")));
  strip.style.bottom = percent(low);
  strip.style.height = percent(Math.max(high - low, 0.006));
  const marks = MARKS.map(([name, of]) => [name, of(dispense, live)]);
  // Two marks near one another must not be written over one another, nor over the band.
  const line = 17 / Math.max(gauge.clientHeight, 1);
  let below = -1;
  for (const [name, value_g] of marks) {
    const known = value_g !== null && value_g !== undefined && !(stale && name === "lands");
    const at = known ? height(value_g / target) : 0;
    const label = name === "lands" ? at : Math.max(name === "target" ? high + 0.65 * line : at, below + line);
    if (known && name !== "lands") below = label;
    mark(gauge, name, known, at, label, `${name} ${words.grams(value_g, places)}`);
  }
}

function mark(gauge, name, known, at, label, says) {
  let element = gauge.querySelector(`.mark.${name}`);
  if (!element) {
    element = make("div", `mark ${name}`);
    element.append(make("i"), make("span"));
    gauge.append(element);
  }
  element.hidden = !known;
  element.style.bottom = percent(at);
  element.lastChild.style.transform = `translateY(calc(50% - ${(100 * (label - at)).toFixed(2)} * 1cqh))`;
  text(element.lastChild, says);
}

function soonest(timers, now_ms, poured) {
  const line = $("soonest");
  const next = poured ? timers[0] : undefined;
  line.hidden = !next;
  if (!next) return;
  const left = words.clockLeft(next, now_ms);
  line.dataset.state = left.state;
  text(line, `${words.clockName(next)} ${left.text}`);
}

/** The running clocks, what ends first, first. `acts(timer)` gives what `may` be done to one. */
export function clocks(timers, now_ms, acts, may) {
  const list = $("clocks");
  $("clocks-card").hidden = timers.length === 0;
  const rows = new Map([...list.children].map((row) => [row.dataset.id, row]));
  timers.forEach((timer, index) => {
    const row = rows.get(timer.id) ?? clockRow(timer, acts);
    rows.delete(timer.id);
    if (list.children[index] !== row) list.insertBefore(row, list.children[index] ?? null);
    drawClock(row, timer, now_ms);
    row.firstChild.disabled = !may;
    if (!may) row.lastChild.hidden = true;
  });
  for (const gone of rows.values()) gone.remove();
}

function clockRow(timer, acts) {
  const row = make("li", "clock");
  row.dataset.id = timer.id;
  const head = make("button", "clock-head");
  head.setAttribute("aria-expanded", "false");
  head.append(shape("ring"), make("span", "clock-name"), make("span", "clock-left"), make("span", "clock-bar"));
  const open = make("div", "clock-acts");
  open.hidden = true;
  head.addEventListener("click", () => {
    open.replaceChildren(...acts(timer));
    open.hidden = !open.hidden;
    head.setAttribute("aria-expanded", String(!open.hidden));
  });
  row.append(head, open);
  return row;
}

function drawClock(row, timer, now_ms) {
  const left = words.clockLeft(timer, now_ms);
  const [icon, name, time, bar] = row.firstChild.children;
  row.dataset.state = left.state;
  setShape(icon, words.CLOCK_SHAPES[left.state]);
  const whose = timer.batch === null ? "" : `batch ${timer.batch}`;
  text(name, `${words.clockName(timer)}${whose ? ` · ${whose}` : ""}`);
  text(time, left.text);
  const whole_s = (Date.parse(timer.ends_at) - Date.parse(timer.started_at)) / 1000;
  const gone = whole_s > 0 ? 1 - Math.max(0, left.left_s) / whole_s : 1;
  bar.style.setProperty("--gone", percent(Math.min(1, Math.max(0, gone))));
}

/** The order's progress. */
export function run(progress) {
  const known = Boolean(progress?.name);
  $("run-card").hidden = !known;
  if (!known) return;
  const { pieces, good, rejected } = progress;
  text($("run-name"), progress.name);
  const batches = progress.batches_planned === null
    ? `${progress.batches_done} batches done`
    : `${progress.batches_done} of ${progress.batches_planned} batches`;
  const told = [batches];
  if (rejected) told.push(`${rejected} rejected`);
  if (progress.eta) told.push(`ready ${words.hours(Date.parse(progress.eta))}`);
  const share = pieces > 0 ? good / pieces : progress.batches_done / (progress.batches_planned || 1);
  $("run-good").style.width = percent(Math.min(1, share));
  $("run-bad").style.width = percent(pieces > 0 ? Math.min(1 - Math.min(1, share), rejected / pieces) : 0);
  const counted = pieces > 0 ? `${good} of ${pieces} good` : batches;
  $("run-bar").setAttribute("aria-label", counted);
  const whole = (pieces > 0 ? [counted, ...told] : told).map((one) => one.replaceAll(" ", "\u00a0"));
  text($("run-words"), whole.join(" · "));
}

/** What is in the cup: parts, and the mix. */
export function parts(dispense) {
  const list = dispense?.parts ?? [];
  $("parts-card").hidden = list.length === 0;
  const places = words.decimals(dispense?.division_g);
  const rows = list.map((part) => {
    const row = make("tr", part.done ? "done" : part.name === dispense.part ? "now" : "");
    const name = make("th", "", part.dye && part.name !== "dye" ? `${part.name} (dye)` : part.name);
    name.scope = "row";
    row.append(name, ...[
      words.grams(part.target_g, places),
      words.grams(part.actual_g, places),
      words.grams(part.error_g, places, true),
    ].map((cell) => make("td", "", cell)));
    return row;
  });
  if (dispense?.mix?.total_g !== null && dispense?.mix?.total_g !== undefined) {
    const row = make("tr", "mix");
    const off = dispense.mix.ratio_error_pct;
    const name = make("th", "", "mix");
    name.scope = "row";
    row.append(name, make("td"), make("td", "", words.grams(dispense.mix.total_g, places)),
      make("td", "", off === null ? "–" : `${words.grams(off, 1, true)} %`));
    rows.push(row);
  }
  const body = $("parts");
  const fresh = make("tbody");
  fresh.append(...rows);
  if (body.innerHTML !== fresh.innerHTML) body.replaceChildren(...rows);
}

/** How far the last pours came down from their targets, as dots about the line of the target. */
export function landings(dispense, tolerance_g) {
  const last = (dispense?.last_landings ?? []).slice(-12);
  $("landings-card").hidden = last.length === 0;
  if (!last.length) return;
  const places = words.decimals(dispense.division_g);
  const told = last.map((one) => `${one.part} ${words.grams(one.error_g, places, true)}`);
  const svg = $("landings");
  const key = `${told.join()} ${tolerance_g}`;
  if (svg.dataset.key === key) return;
  svg.dataset.key = key;
  const most = 1.1 * Math.max(tolerance_g * 1.4, ...last.map((one) => Math.abs(one.error_g)), 0.05);
  const y = (value) => 60 - (44 * value) / most;
  const marks = [node("rect", { class: "band", x: 0, width: 360, y: y(tolerance_g), height: (88 * tolerance_g) / most })];
  marks.push(node("line", { class: "zero", x1: 0, x2: 360, y1: 60, y2: 60 }));
  last.forEach((one, index) => {
    const x = 360 * ((index + 0.5) / last.length);
    const out = Math.abs(one.error_g) > tolerance_g + 1e-9;
    const cy = y(one.error_g);
    marks.push(node("line", { class: out ? "stem out" : "stem", x1: x, x2: x, y1: 60, y2: cy }));
    marks.push(node(out ? "path" : "circle", out
      ? { class: "dot out", d: `M${x} ${cy - 8}l8 8-8 8-8-8z` }
      : { class: "dot", cx: x, cy, r: 6 }));
    const label = node("text", { x, y: one.error_g > 0 ? cy - 11 : cy + 20 });
    label.textContent = one.part;
    marks.push(label);
  });
  svg.replaceChildren(...marks);
  svg.setAttribute("aria-label", `Last landings in grams from the target: ${told.join(", ")}`);
  text($("landings-words"), `last: ${told.slice(-4).join(" g, ")} g · band ±${words.grams(tolerance_g, places)} g`);
}

function node(tag, attributes) {
  const element = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  return element;
}
