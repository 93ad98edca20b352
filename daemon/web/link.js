// The phone's line to the bench: MQTT over this page's own WebSocket. Knows no payload's meaning.
/* global mqtt */

import { ROOT } from "./shop.js";

const KEEPALIVE_S = 10;
const AGAIN_MS = 1_000;
const REFUSALS = 2;
const ANSWER_MS = 4_000;
const SHOP = ["status", "dispense", "timers", "run"].map((name) => `${ROOT}/+/${name}`);
const ONE = ["weight", "event", "done"];
const NOT_PAIRED = new Set([4, 5, 134, 135]);

export class Link {
  /** `on` has `message(topic, text, retained)`, `state(up)` and `refused()`. */
  constructor(paired, on) {
    this.paired = paired;
    this.on = on;
    this.bench = paired.bench;
    this.refusals = 0;
    this.waiting = new Map();
    this.up = false;
    this.down_ms = Date.now();
    this.ended = false;
    this.open();
  }

  open() {
    if (this.ended) return;
    const scheme = location.protocol === "https:" ? "wss" : "ws";
    this.client = mqtt.connect(`${scheme}://${location.host}/mqtt`, {
      clientId: "page",
      username: this.paired.name,
      password: this.paired.token,
      protocolVersion: 4,
      clean: true,
      keepalive: KEEPALIVE_S,
      reconnectPeriod: AGAIN_MS,
      connectTimeout: 4_000,
      resubscribe: false,
      queueQoSZero: false,
      timerVariant: "native",
    });
    this.client.on("connect", () => this.came());
    this.client.on("close", () => this.went());
    this.client.on("error", (error) => this.failed(error));
    this.client.on("message", (topic, payload, packet) => {
      const text = payload.toString();
      if (topic === `${ROOT}/${this.bench}/done`) this.answered(text);
      this.on.message(topic, text, packet.retain);
    });
  }

  came() {
    this.refusals = 0;
    this.client.subscribe(SHOP, { qos: 1 });
    this.client.subscribe(this.own(this.bench), { qos: 0 });
    this.up = true;
    this.on.state(true);
  }

  went() {
    if (this.up) this.down_ms = Date.now();
    this.up = false;
    this.on.state(false);
  }

  failed(error) {
    if (!NOT_PAIRED.has(error?.code)) return;
    this.client.end(true);
    this.refusals += 1;
    if (this.refusals >= REFUSALS) {
      this.ended = true;
      this.on.refused();
    } else {
      setTimeout(() => this.open(), AGAIN_MS);
    }
  }

  own(bench) {
    return ONE.map((name) => `${ROOT}/${bench}/${name}`);
  }

  /** Listen to another bench's weight and answers. */
  turnTo(bench) {
    if (bench === this.bench) return;
    if (this.up) {
      this.client.unsubscribe(this.own(this.bench));
      this.client.subscribe(this.own(bench), { qos: 0 });
    }
    this.bench = bench;
  }

  /** Try now what would be tried in a moment: somebody is looking again. */
  hurry() {
    if (!this.up && !this.ended && !this.client.connecting) this.client.reconnect();
  }

  /** Give the line up for dead and take a fresh one. */
  renew() {
    if (!this.ended) this.client.reconnect();
  }

  /** Send a command: {ok, error}. It is sent now or never: a late one would hit another moment. */
  command(what) {
    if (!this.up) return Promise.resolve({ ok: false, error: "No line to the bench. Nothing was sent." });
    const id = `${Date.now().toString(36)}-${Math.random().toString(36).slice(2, 10)}`;
    return new Promise((resolve) => {
      const timer = setTimeout(() => {
        this.waiting.delete(id);
        resolve({ ok: false, error: "No answer from the bench. Look before you press again." });
      }, ANSWER_MS);
      this.waiting.set(id, { resolve, timer });
      this.client.publish(`${ROOT}/${this.bench}/do`, JSON.stringify({ id, ...what }), { qos: 0 });
    });
  }

  answered(text) {
    let said;
    try {
      said = JSON.parse(text);
    } catch {
      return;
    }
    const asked = this.waiting.get(said?.id);
    if (!asked) return;
    clearTimeout(asked.timer);
    this.waiting.delete(said.id);
    asked.resolve(said);
  }

  end() {
    this.ended = true;
    this.client.end(true);
  }
}
