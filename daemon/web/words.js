// The words, figures and shapes of the page. Knows no element of it and no message's way here.

export const ZONES = {
  dump: { word: "Pour", shape: "arrow", tone: "go" },
  ease: { word: "Ease off", shape: "funnel", tone: "ease" },
  stop: { word: "Stop", shape: "block", tone: "stop" },
  landed: { word: "Landed", shape: "tick", tone: "good" },
  short: { word: "A little more", shape: "plus", tone: "ease" },
  over: { word: "Too much", shape: "cross", tone: "stop" },
};
export const STEPS = {
  idle: { word: "Ready", shape: "diamond", tone: "calm" },
  cup: { word: "Cup", shape: "cup", tone: "calm" },
  pour: { word: "Pour", shape: "arrow", tone: "go" },
  settle: { word: "Wait", shape: "bars", tone: "calm" },
  decide: { word: "Decide", shape: "cross", tone: "stop" },
  stir: { word: "Stir", shape: "ring", tone: "good" },
  away: { word: "On hold", shape: "bars", tone: "ease" },
};
const CHECK = { word: "Check", shape: "warn", tone: "ease" };
const MIXED = { word: "Mixed", shape: "tick", tone: "good" };
const NOTHING_YET = { word: "Waiting", shape: "bars", tone: "calm" };

/** The one state that counts now: `lost` (why nothing is known), else the scale's trouble, else the
 * zone of a pour, else the step. */
export function look(dispense, lost = "", timers = []) {
  if (lost) return { word: lost, shape: "bars", tone: "calm" };
  if (!dispense) return NOTHING_YET;
  if (dispense.scale === "lost") return { word: "Scale lost", shape: "cross", tone: "stop" };
  if (dispense.scale === "overload") return { word: "Overload", shape: "cross", tone: "stop" };
  if (dispense.needs === "confirm") return CHECK;
  if (dispense.step === "stir" && isStirred(dispense, timers)) return MIXED;
  const zoned = dispense.step === "pour" || dispense.step === "settle";
  return (zoned && ZONES[dispense.zone]) || STEPS[dispense.step] || NOTHING_YET;
}

/** Whether the stirring of the batch on the scale is over: its other clocks run, that one does not. */
function isStirred({ batch }, timers) {
  const own = timers.filter((timer) => timer.batch === batch);
  return own.length > 0 && own.every((timer) => timer.kind !== "stir");
}

/** Digits after the point that a scale with this division can stand behind. */
export function decimals(division_g) {
  if (!(division_g > 0)) return 1;
  return Math.min(3, Math.max(0, Math.ceil(-Math.log10(division_g) - 1e-9)));
}

const MINUS = "\u2212";

/** Grams with these decimals; a dash for none; never minus nought. */
export function grams(value, places, sign = false) {
  if (value === null || value === undefined || !Number.isFinite(value)) return "–";
  const text = Math.abs(value).toFixed(places);
  if (Number(text) === 0) return text;
  return (value < 0 ? MINUS : sign ? "+" : "") + text;
}

/** A length of time: 0:09, 12:30, 3 h 05. */
export function span(seconds) {
  const whole = Math.max(0, Math.ceil(seconds - 1e-6));
  if (whole < 3600) return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
  return `${Math.floor(whole / 3600)} h ${String(Math.floor((whole % 3600) / 60)).padStart(2, "0")}`;
}

/** How long something has been, in words: 12 s, 3 min, 2 h. */
export function ago(seconds) {
  if (seconds < 90) return `${Math.round(seconds)} s`;
  if (seconds < 5400) return `${Math.round(seconds / 60)} min`;
  return `${Math.round(seconds / 3600)} h`;
}

/** The time of day on this phone. */
export function hours(instant_ms) {
  return new Date(instant_ms).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
}

export function clockName(timer) {
  return timer.kind.replaceAll("-", " ");
}

/** How a clock stands, in words that differ for running, soon and over. */
export function clockLeft(timer, now_ms) {
  const left_s = (Date.parse(timer.ends_at) - now_ms) / 1000;
  if (timer.state === "ended" || left_s <= 0) {
    return { text: `over ${span(Math.floor(-Math.min(0, left_s)))}`, state: "over", left_s };
  }
  const soon = timer.state === "warned" || Date.parse(timer.warn_at) <= now_ms;
  return { text: span(left_s), state: soon ? "soon" : "running", left_s };
}

export const CLOCK_SHAPES = { running: "ring", soon: "warn", over: "block" };

/** The figure to be read from afar, what it is, and the widest it may become. */
export function focus(dispense, live, timers, now_ms) {
  if (!dispense) return { figure: "–", says: "", room: "0" };
  const places = decimals(dispense.division_g);
  const room = grams(dispense.target_g ?? 100, places);
  if (dispense.scale !== "ok" && dispense.scale !== "waiting" && dispense.scale !== "") {
    return { figure: "–", says: "no reading", room };
  }
  const { remaining_g } = live;
  if (remaining_g !== null && ["pour", "settle", "decide", "away"].includes(dispense.step)) {
    const part = dispense.part ?? "";
    if (dispense.zone === "landed") {
      return { figure: grams(-remaining_g, places, true), says: "g off target", room };
    }
    if (Number(remaining_g.toFixed(places)) < 0) {
      return { figure: grams(-remaining_g, places, true), says: `g of ${part} too much`, room };
    }
    return { figure: grams(remaining_g, places), says: `g of ${part} to go`, room };
  }
  const clock = clockInFocus(dispense, timers, now_ms);
  if (clock) return { ...clock, more: onScale(live, places) };
  if (live.weight_g === null) return { figure: "–", says: "no reading", room };
  return { figure: grams(live.weight_g, places), says: "g on the scale", room };
}

/** While nothing is poured what counts is time: the stirring, else what of this batch ends next, and
 * between batches whatever ends next. */
function clockInFocus(dispense, timers, now_ms) {
  if (dispense.step !== "stir" && dispense.step !== "idle") return null;
  const own = timers.filter((timer) => dispense.step === "idle" || timer.batch === dispense.batch);
  const stir = own.find((timer) => timer.kind === "stir" && Date.parse(timer.ends_at) > now_ms);
  const timer = stir ?? own.find((one) => one.kind !== "stir");
  if (!timer) return null;
  const { left_s, state } = clockLeft(timer, now_ms);
  const whose = timer.batch === null || dispense.step === "stir" ? "" : `, batch ${timer.batch}`;
  const name = timer.kind === "stir" ? "to stir" : `${clockName(timer)}${whose}`;
  const figure = span(state === "over" ? Math.floor(-Math.min(0, left_s)) : left_s);
  return { figure, says: state === "over" ? `over: ${name}` : name, room: "0:00" };
}

function onScale(live, places) {
  return live.weight_g === null ? "no reading" : `${grams(live.weight_g, places)} g on the scale`;
}

/** Roughly how many digits wide a figure is. */
export function units(text) {
  let sum = 0;
  for (const char of text) sum += ".:, ".includes(char) ? 0.58 : "+\u2212".includes(char) ? 1.22 : 1;
  return sum;
}

/** How many letters wide a word must be taken for, where it may break into two lines. */
export function letters(word) {
  const longest = Math.max(...word.split(" ").map((part) => part.length));
  return Math.max(longest, word.length > 9 ? Math.ceil(word.length * 0.62) : word.length, 4);
}

const NAMES = {
  next: "Next",
  confirm: "Yes, confirm",
  correct: "Correct",
  accept: "Accept",
  tare: "Tare the cup",
  start: "Start a batch",
  abandon: "Abandon",
};

/** What a button says: the big word, and what it would do. */
export function button(choice, dispense, plan) {
  const places = decimals(dispense.division_g);
  let more = "";
  let name = NAMES[choice] ?? choice;
  if (choice === "next" && dispense.due) {
    const [, what, batch] = /^(.*?)(?: \((batch \d+)\))?$/.exec(dispense.due);
    name = what.charAt(0).toUpperCase() + what.slice(1);
    more = batch ? `next: ${batch}` : "next";
  } else if (choice === "next") {
    more = dispense.batch === null ? "open the batch" : "";
  } else if (choice === "correct") {
    more = planWords(plan, places) || "add what is missing";
  } else if (choice === "accept") {
    const off = dispense.mix?.ratio_error_pct;
    more = off === null || off === undefined ? "keep it as it is" : `keep it: ratio ${grams(off, 1, true)} %`;
  } else if (choice === "confirm") {
    more = "it is as it was asked";
  } else if (choice === "start") {
    more = "the recipe in use";
  } else if (choice === "abandon" && dispense.batch !== null) {
    more = `batch ${dispense.batch}`;
  }
  return { name, more };
}

function planWords(plan, places) {
  if (!plan || !Array.isArray(plan.parts)) return "";
  const adds = plan.parts.filter((part) => part.add_g > 0);
  const told = adds.map((part) => `${grams(part.add_g, places)} g more ${part.part ?? part.name}`);
  const total = plan.total_g ? `, cup ${grams(plan.total_g, places)} g` : "";
  return told.length ? `add ${told.join(" and ")}${total}` : "";
}
