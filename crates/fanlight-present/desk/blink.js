/** Blinking between layers that lie on one another, comet on comet: at most three a second. @module */

/** @import { Layer } from "./types.js" */
import { drawer, fill, h, newId, tick } from "./dom.js";
import { capital, fixed } from "./format.js";
import { calm } from "./theme.js";

const FASTEST = 3;

export class Blink {
  /**
   * @param {Layer[]} layers
   * @param {{changed: () => void, announce: (text: string) => void}} o
   */
  constructor(layers, o) {
    this.layers = layers;
    this.o = o;
    /** @type {string[]} */
    this.chosen = layers.filter((l) => l.name.startsWith("half-")).map((l) => l.name);
    if (this.chosen.length < 2) this.chosen = layers.slice(0, 2).map((l) => l.name);
    this.on = false;
    this.paused = false;
    this.at = 0;
    this.perSecond = 1.5;
    this.timer = 0;
    const id = newId();
    const rate = h("input", { id, type: "range", min: 0.5, max: FASTEST, step: 0.25, value: this.perSecond });
    const output = h("output", { for: id }, `${this.perSecond} a second`);
    rate.addEventListener("input", () => {
      this.perSecond = Math.min(rate.valueAsNumber, FASTEST);
      output.textContent = `${fixed(this.perSecond, 2)} a second`;
      this.#time();
    });
    this.startButton = h("button", { type: "button", class: "main", "aria-pressed": "false", onclick: () => this.turn(!this.on) }, "Blink");
    this.pauseButton = h("button", { type: "button", onclick: () => this.pause() }, "Pause");
    this.nextButton = h("button", { type: "button", onclick: () => this.step() }, "Next");
    this.words = h("p", { class: "small", "aria-live": "off" });
    this.section = drawer("Blink", { open: false },
      h("fieldset", null, h("legend", null, "Between"), ...layers.map((l) => tick(capital(l.title), this.chosen.includes(l.name), (on) => {
        this.chosen = layers.map((x) => x.name).filter((name) => (name === l.name ? on : this.chosen.includes(name)));
        this.at = 0;
        this.o.changed();
        this.#show();
      }).field)),
      h("div", { class: "slider" }, h("label", { for: id }, "Changes"), output, rate),
      h("div", { class: "row" }, this.startButton, this.pauseButton, this.nextButton), this.words,
      calm() && h("p", { class: "small muted" }, "Your system asks for less motion: blinking waits for “Next” until you start it with “Go on”.")).section;
    this.#show();
  }

  /** The layer of this moment. */
  layer() {
    return this.on && this.chosen.length > 0 ? this.chosen[this.at % this.chosen.length] : null;
  }

  /** @param {boolean} on */
  turn(on) {
    if (on && this.chosen.length < 2) {
      this.o.announce("Blinking needs two layers: choose them under Blink.");
      return;
    }
    this.on = on;
    this.at = 0;
    this.paused = calm();
    this.#time();
    this.o.announce(on ? `Blinking between ${this.chosen.length} layers.` : "Blinking ended.");
    this.#show();
    this.o.changed();
  }

  pause() {
    this.paused = !this.paused;
    this.#time();
    this.#show();
  }

  step() {
    if (!this.on) return;
    this.paused = true;
    this.#time();
    this.#next();
  }

  stop() {
    clearInterval(this.timer);
  }

  #time() {
    clearInterval(this.timer);
    if (this.on && !this.paused) this.timer = setInterval(() => this.#next(), 1000 / Math.min(this.perSecond, FASTEST));
  }

  #next() {
    this.at = (this.at + 1) % Math.max(this.chosen.length, 1);
    this.#show();
    this.o.changed();
  }

  #show() {
    this.startButton.textContent = this.on ? "End blinking" : "Blink";
    this.startButton.setAttribute("aria-pressed", String(this.on));
    this.pauseButton.textContent = this.paused && this.on ? "Go on" : "Pause";
    this.pauseButton.disabled = !this.on;
    this.nextButton.disabled = !this.on;
    const name = this.layer();
    fill(this.words, name ? `Now: ${this.layers.find((l) => l.name === name)?.title ?? name}` : "");
  }
}
