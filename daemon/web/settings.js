// What is set on this phone alone: light, hand, sound, shaking. Knows nothing of the bench.

import { can as canStayAwake } from "./awake.js";

const KEY = "benchpour.settings";
const $ = (id) => document.getElementById(id);
const CHOICES = {
  theme: [["auto", "As the phone"], ["light", "Light"], ["dark", "Dark"]],
  hand: [["left", "Left hand"], ["right", "Right hand"]],
  sound: [[true, "On"], [false, "Off"]],
  buzz: [[true, "On"], [false, "Off"]],
};

export const settings = { theme: "auto", hand: "right", sound: true, buzz: true, ...read() };

function read() {
  try {
    return JSON.parse(localStorage.getItem(KEY)) ?? {};
  } catch {
    return {};
  }
}

function write() {
  try {
    localStorage.setItem(KEY, JSON.stringify(settings));
  } catch {
    // A private window keeps nothing; the choice holds until it is closed.
  }
}

function apply() {
  document.documentElement.dataset.theme = settings.theme;
  document.body.dataset.hand = settings.hand;
}

/** Fill the sheet. `on.changed` after a choice, `on.unpair` when the bench is to be forgotten. */
export function setUp(draw, who, on) {
  for (const [name, choices] of Object.entries(CHOICES)) {
    const place = $(`set-${name}`);
    for (const [value, says] of choices) {
      const label = draw.make("label", "pick");
      const input = draw.make("input");
      input.type = "radio";
      input.name = name;
      input.checked = settings[name] === value;
      input.addEventListener("change", () => {
        settings[name] = value;
        write();
        apply();
        on.changed();
      });
      label.append(input, draw.make("span", "", says));
      place.append(label);
    }
  }
  if (canStayAwake()) $("stay-on").textContent = "The page keeps the screen on while a batch is open.";
  if (!navigator.vibrate) $("set-buzz").hidden = true;
  $("open-settings").addEventListener("click", () => describe(who()));
  const button = $("unpair");
  button.addEventListener("click", () => {
    if (button.dataset.sure === "yes") on.unpair();
    button.dataset.sure = "yes";
    button.textContent = "Press again to forget it";
  });
  apply();
}

function describe(me) {
  if (!me) return;
  const may = me.role === "control" ? "sees and commands the bench" : "looks on";
  $("whoami").textContent = `${me.name}: ${may}.`;
}
