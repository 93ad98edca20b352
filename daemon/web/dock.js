// The buttons: only what can be done now. Knows what a choice sends; knows no socket.

import * as words from "./words.js";

const $ = (id) => document.getElementById(id);
const ANSWERS = ["confirm", "correct", "accept"];
const DANGEROUS = new Set(["abandon"]);
const SURE_MS = 4_000;
const NO_BUTTON = new Set(["timer"]);

let draw = null;
let press = null;
let shownDock = "";
let shownAnswers = "";

export function setUp(drawing, pressed) {
  draw = drawing;
  press = pressed;
}

/** Show the buttons for this moment; none where nothing may be commanded. */
export function dock(bench, may) {
  const d = bench.dispense;
  const choices = may && d ? (d.choices ?? []).filter((choice) => !NO_BUTTON.has(choice)) : [];
  const answers = d?.needs ? choices.filter((choice) => ANSWERS.includes(choice)) : [];
  const others = choices.filter((choice) => !answers.includes(choice));
  others.sort((a, b) => (b === "next") - (a === "next"));
  // Without anything that is due, a batch is what can be begun.
  const first = others.includes("next") || answers.length ? "" : "start";
  const wanted = others.map((choice) => spec(choice, bench, first));
  if (others.includes("next") && d.due?.startsWith("witness cup hard")) wanted.push(stillSoft(d.due));
  shownDock = show($("dock"), wanted, shownDock);
  shownAnswers = show($("answers"), answers.map((choice) => spec(choice, bench)), shownAnswers);
  $("dock").hidden = wanted.length === 0;
  document.body.dataset.dock = wanted.length ? "yes" : "no";
}

function spec(choice, bench, first = "") {
  const big = choice === "next" || choice === first || ANSWERS.includes(choice);
  return { id: choice, what: { do: choice }, big, ...words.button(choice, bench.dispense, bench.plan) };
}

function stillSoft(due) {
  const batch = /batch (\d+)/.exec(due);
  const what = { do: "mark", kind: "witness-soft", ...(batch ? { batch: Number(batch[1]) } : {}) };
  return { id: "witness-soft", what, name: "Still soft", more: "press on" };
}

// A button that a finger is on must not be made anew under it: only a change redraws.
function show(place, wanted, shown) {
  const key = JSON.stringify(wanted);
  if (key === shown) return shown;
  place.replaceChildren(...wanted.map((one) => button(one)));
  return key;
}

function button({ id, what, name, more, big }) {
  const element = draw.make("button", big ? "big" : "minor");
  element.dataset.choice = id;
  const word = draw.make("b", "", name);
  element.append(word, draw.make("small", "", more));
  element.addEventListener("click", () => {
    if (DANGEROUS.has(id) && element.dataset.sure !== "yes") {
      element.dataset.sure = "yes";
      word.textContent = "Press again";
      setTimeout(() => {
        element.dataset.sure = "no";
        word.textContent = name;
      }, SURE_MS);
      return;
    }
    press(what, name);
  });
  return element;
}
