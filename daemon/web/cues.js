// What the phone sounds and how it shakes when something turns. Knows no element and no message's way.

// Notes are [Hz, on s, off s, level]: the same melodies as the bench's own loudspeaker.
const again = (count, notes) => Array.from({ length: count }, () => notes).flat();
const SOUNDS = {
  coarse: [[1100, 0.11, 0.03], [735, 0.17]],
  fine: [[1470, 0.5]],
  over: again(4, [[1225, 0.075, 0], [596, 0.075, 0]]),
  landed: [[551, 0.08, 0.02], [735, 0.08, 0.02], [1102, 0.2]],
  short: again(3, [[882, 0.055, 0.075]]),
  tared: [[787, 0.07]],
  ask: again(2, [[630, 0.09, 0.02], [848, 0.16, 0.22]]),
  "clock-warn": again(2, [[525, 0.07, 0.08], [525, 0.07, 0.28]]),
  "clock-end": again(3, [[689, 0.24, 0.14]]),
  trouble: [[580, 0.2], [441, 0.42]],
  mixed: [[551, 0.09], [735, 0.09], [919, 0.09], [1102, 0.32]],
};
const SHAKES = {
  coarse: [80, 60, 80],
  fine: [600],
  over: [100, 50, 100, 50, 100, 50, 300],
  landed: [60, 40, 160],
  short: [60, 60, 60, 60, 60],
  ask: [150, 100, 150],
  "clock-warn": [60, 80, 60],
  "clock-end": [250, 140, 250, 140, 250],
  trouble: [200, 100, 500],
};
const OF_ZONE = { ease: "coarse", stop: "fine", over: "over", landed: "landed", short: "short" };

/** What is to be heard of a turn, or nothing. What has only just been learned of is no turn. */
export function cueOf(turn) {
  if (!turn || !turn.was || !turn.fresh) return null;
  return turn.kind === "timers" ? cueOfTimers(turn) : cueOfDispense(turn);
}

function cueOfTimers({ was, is }) {
  let found = null;
  for (const timer of is) {
    const before = was.find((other) => other.id === timer.id);
    if (!before || before.state === timer.state) continue;
    if (timer.state === "ended") return "clock-end";
    if (timer.state === "warned") found = "clock-warn";
  }
  return found;
}

function cueOfDispense({ was, is }) {
  if (is.scale !== was.scale && ["lost", "overload", "silent"].includes(is.scale)) return "trouble";
  if (is.zone !== was.zone && OF_ZONE[is.zone]) return OF_ZONE[is.zone];
  if (is.needs && is.needs !== was.needs) return "ask";
  if (was.step === "cup" && is.step === "pour") return "tared";
  if (was.step !== "stir" && is.step === "stir") return "mixed";
  return null;
}

export class Cues {
  constructor(settings) {
    this.settings = settings;
    this.audio = null;
    this.until = 0;
  }

  /** A tap allows sound; without one a browser stays silent. */
  allow() {
    if (!this.settings.sound || !window.AudioContext) return;
    this.audio ??= new AudioContext();
    if (this.audio.state === "suspended") this.audio.resume();
  }

  /** Whether sound is wanted and only a tap is missing. */
  get waits() {
    return this.settings.sound && Boolean(window.AudioContext) && this.audio?.state !== "running";
  }

  play(name) {
    if (this.settings.buzz && SHAKES[name]) navigator.vibrate?.(SHAKES[name]);
    if (!this.settings.sound || this.audio?.state !== "running" || !SOUNDS[name]) return;
    const urgent = name === "fine" || name === "over";
    let at = urgent ? this.audio.currentTime : Math.max(this.audio.currentTime, this.until);
    if (at - this.audio.currentTime > 1.5) return;
    for (const [hz, on_s, off_s = 0] of SOUNDS[name]) {
      this.note(hz, at, on_s);
      at += on_s + off_s;
    }
    this.until = at;
  }

  note(hz, at, on_s) {
    const tone = new OscillatorNode(this.audio, { type: "triangle", frequency: hz });
    const gain = new GainNode(this.audio, { gain: 0 });
    gain.gain.setValueAtTime(0, at);
    gain.gain.linearRampToValueAtTime(0.8, at + 0.006);
    gain.gain.setValueAtTime(0.8, at + on_s - 0.02);
    gain.gain.linearRampToValueAtTime(0, at + on_s);
    tone.connect(gain).connect(this.audio.destination);
    tone.start(at);
    tone.stop(at + on_s);
  }
}
