// What is known of every bench of the shop, from its messages. Knows no element and no socket.

export const ROOT = "benchpour";
const OFFSET_KEPT_MS = 60_000;
const FRESH_MS = 3_000;

class Bench {
  constructor(name) {
    this.name = name;
    this.status = null;
    this.dispense = null;
    this.timers = [];
    this.run = null;
    this.weight = null;
    this.plan = null;
    this.base = null;
    this.offsets = [];
    this.heard_ms = 0;
  }

  get online() {
    return this.status === null || this.status.state === "online";
  }
}

export class Shop {
  constructor() {
    this.benches = new Map();
    this.offset_ms = 0;
    this.tolerance_g = new Map();
  }

  bench(name) {
    if (!this.benches.has(name)) this.benches.set(name, new Bench(name));
    return this.benches.get(name);
  }

  /** The time at that bench: its own messages tell it, else the machine that serves this page. */
  now(bench, now_ms = Date.now()) {
    const offsets = bench ? bench.offsets : [];
    if (!offsets.length) return now_ms + this.offset_ms;
    return now_ms + Math.max(...offsets.map(([, offset]) => offset));
  }

  /** Take a message in. Gives back what turned, for the ear: {was, is, bench} or null. */
  take(topic, payload, retained, now_ms = Date.now()) {
    const [root, name, kind, more] = topic.split("/");
    if (root !== ROOT || !kind || more !== undefined) return null;
    let said;
    try {
      said = JSON.parse(payload);
    } catch {
      return null;
    }
    const bench = this.bench(name);
    if (!retained) {
      // Only what follows the scale shows that the figures are of now.
      if (kind === "weight" || kind === "dispense") bench.heard_ms = now_ms;
      this.learnOffset(bench, said, now_ms);
    }
    return this.keep(bench, kind, said, now_ms);
  }

  // A message was sent before it arrived, so the largest difference is nearest to the truth.
  learnOffset(bench, said, now_ms) {
    const at = Date.parse(said?.at);
    if (Number.isNaN(at)) return;
    const last = bench.offsets.at(-1);
    if (last && now_ms < last[0]) bench.offsets.length = 0;
    bench.offsets = bench.offsets.filter(([when]) => now_ms - when < OFFSET_KEPT_MS);
    bench.offsets.push([now_ms, at - now_ms]);
    if (bench.offsets.length > 200) bench.offsets.splice(0, 100);
  }

  keep(bench, kind, said, now_ms) {
    if (kind === "status") bench.status = said;
    else if (kind === "run") bench.run = said;
    else if (kind === "weight") this.keepWeight(bench, said);
    else if (kind === "event") {
      if (said.kind === "part.over") bench.plan = said.data?.plan ?? null;
    } else if (kind === "timers" && Array.isArray(said)) {
      const was = bench.timers;
      bench.timers = [...said].sort(byEnd);
      return { bench, kind, was, is: bench.timers, fresh: true };
    } else if (kind === "dispense" && said && typeof said === "object") {
      return this.keepDispense(bench, said, now_ms);
    }
    return null;
  }

  keepDispense(bench, said, now_ms) {
    const was = bench.dispense;
    bench.dispense = said;
    const key = pourKey(said);
    if (bench.base && bench.base.key !== key) bench.base = null;
    if (said.needs !== "accept or correct") bench.plan = null;
    if (said.tolerance_g) this.tolerance_g.set(bench.name, said.tolerance_g);
    if (bench.weight) this.learnBase(bench);
    const fresh = Math.abs(this.now(bench, now_ms) - Date.parse(said.at)) < FRESH_MS;
    return { bench, kind: "dispense", was, is: said, fresh };
  }

  keepWeight(bench, said) {
    if (typeof said?.grams !== "number") return;
    bench.weight = said;
    this.learnBase(bench);
  }

  // A weight and a state of the same instant tell what stands in the cup beside the present part:
  // with that, every later weight gives the part's grams, ten times a second.
  learnBase(bench) {
    const { dispense, weight } = bench;
    if (!dispense || dispense.actual_g === null || dispense.at !== weight.at) return;
    const sign = dispense.method === "loss" ? -1 : 1;
    bench.base = { key: pourKey(dispense), sign, grams: weight.grams - sign * dispense.actual_g };
  }

  /** The figures of this instant: the last state's, carried on by the weights since. */
  live(bench, bench_ms) {
    const { dispense, weight, base } = bench;
    if (!dispense) return { weight_g: null, actual_g: null, remaining_g: null, landing_g: null };
    const current = weight && bench_ms - Date.parse(weight.at) < FRESH_MS;
    const still = {
      weight_g: current ? weight.grams : null,
      actual_g: dispense.actual_g,
      remaining_g: dispense.remaining_g,
      landing_g: dispense.landing_g ?? null,
    };
    const pouring = ["pour", "settle"].includes(dispense.step) && dispense.actual_g !== null;
    if (!pouring || !weight || !base || base.key !== pourKey(dispense) || weight.at < dispense.at) {
      return still;
    }
    const actual_g = base.sign * (weight.grams - base.grams);
    const since_g = actual_g - dispense.actual_g;
    still.actual_g = actual_g;
    still.remaining_g = dispense.target_g - actual_g;
    if (still.landing_g !== null) still.landing_g += since_g;
    return still;
  }

  names() {
    return [...this.benches.keys()].sort();
  }
}

function byEnd(a, b) {
  return Date.parse(a.ends_at) - Date.parse(b.ends_at) || a.id.localeCompare(b.id);
}

function pourKey(dispense) {
  return JSON.stringify([dispense.batch, dispense.part, dispense.target_g, dispense.step === "away"]);
}
