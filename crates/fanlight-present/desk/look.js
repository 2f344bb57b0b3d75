/**
 * How the picture looks: a histogram whose curve and ends are dragged, the colours, isophotes, and which way is up.
 * Every kind of picture (the night's light, each filter) keeps its own stretch.
 * @module
 */

/** @import { Values } from "./types.js" */
/** @import { MapName } from "./colour.js" */
/** @import { Stretch, Curve } from "./stretch.js" */
import { choice, drawer, h, s, tick } from "./dom.js";
import { MAP_WORDS, css } from "./colour.js";
import { capital, figures } from "./format.js";
import { Painter, placer, usual, valueAt } from "./stretch.js";
import { isRed } from "./theme.js";

const BINS = 96;
const [WIDTH, HEIGHT, STRIP] = [288, 92, 12];

/** @typedef {{name: string, values: Values, unit: string, plain: boolean}} Kind  what is shown */

export class Look {
  /**
   * @param {{noise: number|null, changed: () => void, isophotes: (on: boolean) => void, sunRight: ((on: boolean) => void)|null}} o
   */
  constructor(o) {
    this.o = o;
    /** @type {Kind} */
    this.kind = { name: "", values: "level", unit: "", plain: true };
    /** @type {Map<string, {stretch: Stretch, map: MapName, own: boolean}>} */
    this.kept = new Map();
    /** @type {Stretch} */
    this.stretch = { curve: "linear", low: 0, high: 1, soft: 0.1 };
    /** @type {MapName} */
    this.map = "dusk";
    this.own = false;
    /** What the histogram's axis runs over. @type {Stretch} */
    this.axis = this.stretch;
    this.counts = new Uint32Array(BINS);
    /** @type {Painter|null} */
    this.made = null;
    this.#build();
  }

  painter() {
    this.made ??= new Painter(this.stretch, this.map, isRed());
    return this.made;
  }

  /**
   * What is shown now.
   * @param {Kind} kind
   * @param {Float32Array} sample
   * @param {{low: number, high: number, soft?: number}|null} range  what the server advises
   */
  show(kind, sample, range) {
    if (this.kind.name !== kind.name) {
      this.kept.set(this.kind.name, { stretch: this.stretch, map: this.map, own: this.own });
      const kept = this.kept.get(kind.name);
      const diverging = kind.values === "about_zero" || kind.values === "about_one";
      this.own = kept?.own ?? false;
      this.map = kept?.map ?? (diverging ? "blue_amber" : "dusk");
      if (kept) this.stretch = kept.stretch;
    }
    this.kind = kind;
    const given = range && range.low < range.high ? range : null;
    /** @type {Stretch} */
    const advised = given && (!kind.plain || given.soft)
      ? { curve: kind.plain ? "asinh" : "linear", low: given.low, high: given.high, soft: given.soft ?? (given.high - given.low) / 10 }
      : usual(sample, kind.values, { noise: this.o.noise, plain: kind.plain });
    this.advised = advised;
    if (!this.own) this.stretch = { ...advised };
    const room = 0.35 * (advised.high - advised.low);
    this.axis = kind.plain
      ? { curve: "asinh", low: advised.low - 2 * advised.soft, high: advised.high + room, soft: advised.soft }
      : { curve: "linear", low: advised.low - room, high: advised.high + room, soft: 1 };
    const place = placer(this.axis);
    this.counts.fill(0);
    for (const v of sample) {
      const at = Math.floor(place(v) * BINS);
      if (at >= 0 && at < BINS) this.counts[at] += 1;
    }
    this.#changed();
  }

  /** The theme or the stretch is another. */
  #changed() {
    this.made = null;
    this.#draw();
    this.o.changed();
  }

  themed() {
    this.#changed();
  }

  /** @param {Partial<Stretch>} part */
  #set(part) {
    this.own = true;
    this.stretch = { ...this.stretch, ...part };
    this.#changed();
  }

  #build() {
    this.bars = s("path", { class: "histogram" });
    this.curve = s("path", { class: "curve" });
    this.strip = h("canvas", { width: 256, height: 1, class: "strip", "aria-hidden": "true" });
    this.drawing = s("svg", { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, preserveAspectRatio: "none", "aria-hidden": "true" }, this.bars, this.curve);
    this.handles = {
      low: this.#handle("Dark end of the stretch", "low"),
      soft: this.#handle("Middle of the curve", "soft"),
      high: this.#handle("Bright end of the stretch", "high"),
    };
    this.box = h("div", { class: "stretch", role: "group", "aria-label": "Stretch: drag the ends and the middle of the curve" }, this.drawing, this.strip, ...Object.values(this.handles));
    this.words = h("p", { class: "small muted" });
    const curve = choice("Curve", [["asinh", "asinh"], ["linear", "linear"], ["log", "logarithmic"]], "asinh", (v) => this.#set({ curve: /** @type {Curve} */ (v) }));
    this.curveSelect = curve.select;
    const map = choice("Colours", Object.entries(MAP_WORDS).map(([name, words]) => [name, capital(words)]), "dusk", (v) => {
      this.map = /** @type {MapName} */ (v);
      this.#changed();
    });
    this.mapSelect = map.select;
    const again = h("button", { type: "button", onclick: () => { this.own = false; this.stretch = { ...(this.advised ?? this.stretch) }; this.#changed(); } }, "Usual stretch");
    const isophotes = tick("Isophotes", false, (on) => this.o.isophotes(on));
    const { sunRight } = this.o;
    this.section = drawer("Look", { open: true }, this.box, this.words, h("div", { class: "row" }, curve.field, map.field), h("div", { class: "row" }, again, isophotes.field, sunRight && tick("Sun to the right", false, sunRight).field)).section;
  }

  /** @param {string} label @param {"low"|"soft"|"high"} which */
  #handle(label, which) {
    const handle = h("div", { class: `handle ${which}`, role: "slider", tabindex: 0, "aria-label": label });
    const place = () => placer(this.axis)(which === "soft" ? valueAt(this.stretch, 0.5) : this.stretch[which]);
    handle.addEventListener("pointerdown", (e) => {
      handle.setPointerCapture(e.pointerId);
      handle.focus();
      e.preventDefault();
    });
    handle.addEventListener("pointermove", (e) => {
      if (!handle.hasPointerCapture(e.pointerId) || !this.box) return;
      const r = this.box.getBoundingClientRect();
      this.#move(which, (e.clientX - r.left) / r.width);
    });
    handle.addEventListener("keydown", (e) => {
      const step = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageDown: -8, PageUp: 8 }[e.key];
      if (!step) return;
      e.preventDefault();
      this.#move(which, place() + 0.01 * step);
    });
    return handle;
  }

  /** @param {"low"|"soft"|"high"} which @param {number} at  place along the axis */
  #move(which, at) {
    const axis = placer(this.axis);
    const least = 0.01;
    const [low, high] = [axis(this.stretch.low), axis(this.stretch.high)];
    if (which === "low") this.#set({ low: valueAt(this.axis, Math.min(Math.max(at, 0), high - least)) });
    else if (which === "high") this.#set({ high: valueAt(this.axis, Math.max(Math.min(at, 1), low + least)) });
    else this.#bend(valueAt(this.axis, at));
  }

  /** Softens the curve so that a value stands in the middle of the map. @param {number} value */
  #bend(value) {
    const range = this.stretch.high - this.stretch.low;
    const share = Math.min(Math.max((value - this.stretch.low) / range, 1e-4), 0.495);
    // the softer, the nearer the middle value lies to the mean of the ends
    let [soft, stiff] = [range * 1e-7, range * 1e3];
    for (let i = 0; i < 60; i += 1) {
      const middle = Math.sqrt(soft * stiff);
      if ((valueAt({ ...this.stretch, soft: middle }, 0.5) - this.stretch.low) / range < share) soft = middle;
      else stiff = middle;
    }
    this.#set({ soft });
  }

  #draw() {
    if (!this.handles || !this.bars || !this.curve || !this.strip || !this.words) return;
    const most = Math.log1p(Math.max(...this.counts));
    const bar = WIDTH / BINS;
    const floor = HEIGHT - STRIP;
    this.bars.setAttribute("d", [...this.counts].map((n, i) => (n ? `M${(i * bar).toFixed(1)} ${floor}v${(-Math.log1p(n) / most * floor).toFixed(1)}h${bar.toFixed(1)}V${floor}z` : "")).join(""));
    const place = placer(this.stretch);
    const clamped = (/** @type {number} */ v) => Math.min(Math.max(v, 0), 1);
    const points = Array.from({ length: 97 }, (_, i) => {
      const y = floor - 2 - clamped(place(valueAt(this.axis, i / 96))) * (floor - 4);
      return `${((i / 96) * WIDTH).toFixed(1)} ${y.toFixed(1)}`;
    });
    this.curve.setAttribute("d", `M${points.join("L")}`);
    const c = this.strip.getContext("2d");
    const { colours } = this.painter();
    for (let i = 0; c && i < 256; i += 1) {
      c.fillStyle = css(colours[Math.round(clamped(place(valueAt(this.axis, i / 255))) * 253)]);
      c.fillRect(i, 0, 1, 1);
    }
    const axis = placer(this.axis);
    const middle = valueAt(this.stretch, 0.5);
    for (const [which, value] of /** @type {["low"|"soft"|"high", number][]} */ ([["low", this.stretch.low], ["soft", middle], ["high", this.stretch.high]])) {
      const handle = this.handles[which];
      const at = clamped(axis(value));
      handle.style.left = `${100 * at}%`;
      handle.setAttribute("aria-valuemin", "0");
      handle.setAttribute("aria-valuemax", "100");
      handle.setAttribute("aria-valuenow", String(Math.round(100 * at)));
      handle.setAttribute("aria-valuetext", `${figures(value, 3)} ${this.kind.unit}`);
    }
    this.handles.soft.hidden = this.stretch.curve === "linear";
    if (this.curveSelect) this.curveSelect.value = this.stretch.curve;
    if (this.mapSelect) this.mapSelect.value = this.map;
    this.words.textContent = `From ${figures(this.stretch.low, 3)} to ${figures(this.stretch.high, 3)} ${this.kind.unit}`;
  }
}
