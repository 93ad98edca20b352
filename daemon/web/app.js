// The phone page: what is kept, heard, drawn and pressed, and when. The wiring, and nothing else.

import * as draw from "./draw.js";
import * as words from "./words.js";
import { Cues, cueOf } from "./cues.js";
import { Link } from "./link.js";
import { ask, codeFromAddress, paired, unpair } from "./pair.js";
import { Shop } from "./shop.js";
import { setUp as setUpDock, dock } from "./dock.js";
import { settings, setUp as setUpSettings } from "./settings.js";
import { stayAwake } from "./awake.js";

const $ = (id) => document.getElementById(id);
const QUIET_MS = 4_000;
const RENEW_MS = 8_000;

const shop = new Shop();
const cues = new Cues(settings);
let me = null;
let link = null;
let bench = null;
let opened_ms = 0;
let renewed_ms = 0;
let said = "";
let due = false;

async function begin(why = "") {
  const code = codeFromAddress();
  me = paired();
  if (!me || code) me = await ask(code, why);
  $("start").hidden = true;
  $("bench").hidden = false;
  document.body.dataset.screen = "bench";
  bench = shop.bench(stored("bench") ?? me.bench);
  link = new Link(me, { message: heard, state: lineTurned, refused });
  link.turnTo(bench.name);
  opened_ms = Date.now();
  drawSoon();
}

function stored(name) {
  const found = sessionStorage.getItem(`benchpour.${name}`);
  return found === null ? null : found;
}

function heard(topic, payload, retained) {
  const turn = shop.take(topic, payload, retained);
  const cue = turn && turn.bench === bench ? cueOf(turn) : null;
  if (cue) cues.play(cue);
  drawSoon();
}

function lineTurned(up) {
  if (up) askTime();
  drawSoon();
}

function refused() {
  link.end();
  unpair();
  $("bench").hidden = true;
  begin("The bench does not know this phone any more. Pair it again.");
}

/** Set the page's clocks by the machine that serves it: a phone may be minutes off. */
async function askTime() {
  try {
    const before = Date.now();
    const response = await fetch("healthz", { cache: "no-store" });
    const at = Date.parse(response.headers.get("Bench-Time"));
    if (!Number.isNaN(at)) shop.offset_ms = at - (before + Date.now()) / 2;
  } catch {
    // The next connection asks again; until then the bench's own messages tell the time.
  }
}

function drawSoon() {
  if (due) return;
  due = true;
  requestAnimationFrame(() => {
    due = false;
    if (bench && document.body.dataset.screen === "bench") drawNow();
  });
}

/** What is wrong with what is seen here: a word for it and a sentence; empty where nothing is. */
function trouble(now) {
  if (!link.up) {
    const down_s = (now - Math.max(link.down_ms, opened_ms)) / 1000;
    if (down_s < 1.5 && !bench.dispense) return ["", ""];
    return ["Cut off", `Cut off for ${words.ago(Math.max(1, down_s))}. Go by the scale, not by this screen. Trying again…`];
  }
  if (!bench.online) {
    return ["Off", `This bench is off. Its clocks go on as it left them.`];
  }
  if (quiet(now)) {
    const silent_s = (now - bench.heard_ms) / 1000;
    return ["Unheard", `Nothing heard for ${words.ago(silent_s)}. Go by the scale, not by this screen.`];
  }
  return ["", ""];
}

// A bench with a scale that is well repeats its weight every second.
function quiet(now) {
  const live = bench.dispense?.scale === "ok" && bench.weight !== null && bench.heard_ms > 0;
  return live && bench.online && now - bench.heard_ms > QUIET_MS;
}

function drawNow() {
  const now = Date.now();
  const bench_ms = shop.now(bench, now);
  const [lost, wrong] = trouble(now);
  const look = draw.hero(bench, shop.live(bench, bench_ms), bench_ms, lost);
  document.body.dataset.stale = wrong ? "yes" : "no";
  $("banner").hidden = !wrong;
  draw.text($("banner"), wrong);
  drawTop(bench_ms, lost);
  draw.clocks(bench.timers, bench_ms, clockActs, mayTurnClocks() && link.up && !lost);
  draw.run(bench.run);
  draw.parts(bench.dispense);
  draw.landings(bench.dispense, shop.tolerance_g.get(bench.name) ?? 0.3);
  draw.text($("scale-note"), bench.dispense?.scale_note ? `Scale: ${bench.dispense.scale_note}` : "");
  dock(bench, me.role === "control" && link.up && !lost);
  stayAwake(!lost && bench.dispense && bench.dispense.step !== "idle");
  if ($("benches").open) drawBenches(now);
  tell(look, lost);
}

function drawTop(bench_ms, lost) {
  draw.text($("bench-name"), shop.benches.size > 1 ? `${bench.name} ▾` : bench.name);
  $("line").dataset.line = link.up ? (lost ? "quiet" : "up") : "down";
  const well = cues.waits ? "tap for sound" : me.role === "watch" ? "watching" : "live";
  draw.text($("line-word"), link.up ? lost.toLowerCase() || well : "cut off");
  draw.text($("clock"), words.hours(bench_ms));
}

/** Say to a screen reader what turned, and no more: a state, not each gram. */
function tell(look, lost) {
  const d = bench.dispense;
  const now = lost || `${look.word}|${d?.part ?? ""}|${d?.needs ?? ""}|${d?.step ?? ""}`;
  if (now === said) return;
  const first = said === "";
  said = now;
  if (lost) $("shout").textContent = `${lost}. Go by the scale, not by this screen.`;
  if (first || lost) return;
  const part = d?.part ? ` ${d.part}` : "";
  const loud = look.tone === "stop";
  $("shout").textContent = loud ? `${look.word}${part}.` : "";
  $("say").textContent = `${loud ? "" : `${look.word}${part}. `}${d?.prompt ?? ""}`;
}

function drawBenches(now) {
  const list = $("bench-list");
  const rows = shop.names().map((name) => {
    const one = shop.bench(name);
    const look = words.look(one.dispense, one.online ? "" : "Off", one.timers);
    const row = draw.make("li");
    const button = draw.make("button", "bench-row");
    button.dataset.bench = name;
    button.dataset.tone = look.tone;
    if (one === bench) button.setAttribute("aria-current", "true");
    const next = one.timers[0];
    const left = next ? words.clockLeft(next, shop.now(one, now)) : null;
    const more = [one.dispense?.batch ? `batch ${one.dispense.batch}` : "", next ? `${words.clockName(next)} ${left.text}` : ""];
    button.append(draw.shape(look.shape), draw.make("b", "", name), draw.make("span", "", look.word),
      draw.make("small", "", more.filter(Boolean).join(" · ")));
    row.append(button);
    return row;
  });
  const fresh = draw.make("ul");
  fresh.append(...rows);
  if (list.innerHTML !== fresh.innerHTML) {
    const focused = document.activeElement?.dataset.bench;
    list.replaceChildren(...rows);
    if (focused) list.querySelector(`[data-bench="${CSS.escape(focused)}"]`)?.focus();
  }
}

function mayTurnClocks() {
  return me.role === "control" && Boolean(bench.dispense?.choices?.includes("timer"));
}

function clockActs(timer) {
  return [["+1 min", { extend_s: 60 }], ["Clear this clock", { clear: true }]].map(([name, what]) => {
    const button = draw.make("button", "minor", name);
    button.addEventListener("click", () => press({ do: "timer", timer: timer.id, ...what }, name));
    return button;
  });
}

/** Send a command, and say what became of it. */
async function press(what, name) {
  $("toast").textContent = `${name}…`;
  $("toast").dataset.kind = "wait";
  const answer = await link.command(what);
  $("toast").textContent = answer.ok ? `${name}: done.` : answer.error || "The bench did not do that.";
  $("toast").dataset.kind = answer.ok ? "done" : "refused";
  clearTimeout(press.timer);
  press.timer = setTimeout(() => ($("toast").textContent = ""), answer.ok ? 2_500 : 8_000);
}

/** How wide a digit of this phone's own letters is, so that the figure fills its place. */
function measureDigit() {
  const probe = document.createElement("canvas").getContext("2d");
  probe.font = `800 100px ${getComputedStyle(document.body).fontFamily}`;
  document.body.style.setProperty("--digit", (probe.measureText("0").width / 100).toFixed(3));
  document.body.style.setProperty("--letter", (probe.measureText("STOP").width / 400).toFixed(3));
}

function turnTo(name) {
  bench = shop.bench(name);
  sessionStorage.setItem("benchpour.bench", name);
  link.turnTo(name);
  said = "";
  $("benches").close();
  drawSoon();
}

/** Twice a second: clocks go on without a message, and a line that has died unheard is renewed. */
function tick() {
  if (document.body.dataset.screen !== "bench" || !bench) return;
  const now = Date.now();
  const heard_ms = Math.max(bench.heard_ms, renewed_ms);
  if (link.up && quiet(now) && document.visibilityState === "visible" && now - heard_ms > RENEW_MS) {
    renewed_ms = now;
    link.renew();
  }
  drawSoon();
}

function lookedAtAgain() {
  if (document.visibilityState !== "visible") return;
  link?.hurry();
  drawSoon();
}

setUpSettings(draw, () => me, {
  changed: () => cues.allow(),
  unpair: () => {
    link.end();
    unpair();
    location.reload();
  },
});
setUpDock(draw, press);
document.addEventListener("pointerdown", () => cues.allow());
document.addEventListener("keydown", () => cues.allow());
document.addEventListener("visibilitychange", lookedAtAgain);
window.addEventListener("online", lookedAtAgain);
window.addEventListener("hashchange", () => location.hash.startsWith("#pair=") && location.reload());
$("open-benches").addEventListener("click", () => {
  $("benches").showModal();
  drawBenches(Date.now());
});
$("open-settings").addEventListener("click", () => $("settings").showModal());
$("bench-list").addEventListener("click", (event) => {
  const row = event.target.closest("[data-bench]");
  if (row) turnTo(row.dataset.bench);
});
for (const button of document.querySelectorAll("[data-close]")) {
  button.addEventListener("click", () => button.closest("dialog").close());
}
const heights = new ResizeObserver(() => {
  for (const id of ["dock", "banner"]) document.body.style.setProperty(`--${id}`, `${$(id).offsetHeight}px`);
});
heights.observe($("dock"));
heights.observe($("banner"));
measureDigit();
setInterval(tick, 500);
begin();
