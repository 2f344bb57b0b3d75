/**
 * Live filters: what is asked, the requests that keep up with the sliders, and the panel.
 * @module
 */

/** @import { Method, Setting, View, Frame, FrameHead, Night, Window } from "./types.js" */
/** @import { EnhanceRequest } from "./api.js" */
/** @import { SkyView } from "./sky_view.js" */
import * as api from "./api.js";
import { choice, drawer, fill, h, newId } from "./dom.js";
import { capital, day, figures } from "./format.js";
import { Raster } from "./raster.js";
import { timings } from "./timings.js";

/** Pixels of all layers' pictures at most: beyond, a coarser level is asked. */
const MOST_PX = 1.8e6;
/** So long after the last change a picture for which a coarser level stood in is asked for again, ms. */
const REST = 250;
/** Share of what is seen that is worked out around it. */
const MARGIN = 0.12;

/**
 * @typedef {{method: Method|null, settings: Record<string, number|string>, against: number|null}} Filter
 * @typedef {{name: string, key: string, level: number, final: boolean, head: FrameHead, night: Raster, twin: Raster|null}} Filtered  level: the one that was asked for; final: no better is to be had
 */

/** Keeps the filtered picture of each layer that is shown up with the filter and the view. */
export class FilterRunner {
  /**
   * @param {View} view
   * @param {SkyView} sky
   * @param {{filter: () => Filter, centre: () => {dx_px: number, dy_px: number}, layers: () => string[], twin: () => boolean,
   *   arrived: () => void, failed: (error: unknown) => void, refused: (words: string) => void, busy: (on: boolean) => void}} o
   */
  constructor(view, sky, o) {
    this.view = view;
    this.sky = sky;
    this.o = o;
    /** @type {Map<string, Filtered>} */
    this.results = new Map();
    this.changedAt = 0;
    this.rest = 0;
    /** When the step was taken whose picture is being painted; 0: none is. */
    this.stepped = 0;
    sky.painted = () => {
      if (this.stepped) timings.add("filters", performance.now() - this.stepped);
      this.stepped = 0;
    };
    this.queue = api.latest(
      (/** @type {{layer: string, key: string, request: EnhanceRequest, asked: number}} */ a, signal) => api.enhance(view.id, a.request, signal),
      (frame, a) => this.#done(frame, a),
      (error, a) => {
        o.busy(false);
        const words = api.notAllowed(error);
        if (words === null) o.failed(error);
        else {
          // no earlier picture stands for it
          this.results.delete(a.layer);
          o.refused(words);
        }
      },
    );
  }

  stop() {
    clearTimeout(this.rest);
    this.queue.stop();
    this.results.clear();
  }

  held_bytes() {
    return [...this.results.values()].reduce((sum, r) => sum + r.night.held_bytes() + (r.twin?.held_bytes() ?? 0), 0);
  }

  /** What of the filter decides the pixels. */
  #key() {
    const { method, settings, against } = this.o.filter();
    return JSON.stringify([method?.name, settings, against, this.o.centre(), this.o.twin()]);
  }

  /** A setting or the centre moved. */
  changed() {
    this.changedAt = performance.now();
    this.refresh();
  }

  /** Asks for what is missing; once the hand rests, for as long as it takes. */
  refresh(patient = false) {
    clearTimeout(this.rest);
    const { method, settings, against } = this.o.filter();
    const seen = this.sky.seen();
    const layers = this.o.layers();
    for (const layer of this.results.keys()) if (!layers.includes(layer)) this.results.delete(layer);
    if (!method) {
      this.queue.stop();
      this.results.clear();
      this.o.busy(false);
      return;
    }
    if (!seen) return;
    const key = this.#key();
    let level = seen.level;
    const rect = (/** @type {number} */ margin) => {
      const { width_px, height_px } = this.view;
      const [mx, my] = [margin * (seen.rect.x1 - seen.rect.x0), margin * (seen.rect.y1 - seen.rect.y0)];
      const grid = 2 ** level;
      const down = (/** @type {number} */ v) => Math.max(Math.floor(v / grid) * grid, 0);
      const up = (/** @type {number} */ v, /** @type {number} */ end) => Math.min(Math.ceil(v / grid) * grid, end);
      const [x, y] = [down(seen.rect.x0 - mx), down(seen.rect.y0 - my)];
      return { x_px: x, y_px: y, width_px: up(seen.rect.x1 + mx, width_px) - x, height_px: up(seen.rect.y1 + my, height_px) - y };
    };
    // while a slider moves, what is seen and no more
    const wide = () => rect(this.changedAt ? 0 : MARGIN);
    const top = this.view.levels.length - 1;
    while (level < top && (wide().width_px * wide().height_px) / 4 ** level > MOST_PX / layers.length) level += 1;
    const needed = rect(0);
    if (needed.width_px <= 0 || needed.height_px <= 0) return;
    const coarse = (/** @type {string} */ layer) => this.results.get(layer)?.final === false;
    const stale = layers.find((layer) => !this.#serves(layer, key, level, needed)) ?? (patient ? layers.find(coarse) : undefined);
    if (!stale) {
      this.o.busy(false);
      if (layers.some(coarse)) this.rest = setTimeout(() => this.refresh(true), REST);
      return;
    }
    const centre = this.o.centre();
    this.o.busy(true);
    this.queue.ask({
      layer: stale, key, asked: this.changedAt,
      request: { drawn: { method: method.name, settings, centre_dx_px: centre.dx_px, centre_dy_px: centre.dy_px, layer: stale, against, with_twin: this.o.twin(), patient }, window: wide(), level },
    });
  }

  /** @param {string} layer @param {string} key @param {number} level @param {Window} w */
  #serves(layer, key, level, w) {
    const result = this.results.get(layer);
    if (!result || result.key !== key || result.level !== level) return false;
    const { head } = result;
    const size = 2 ** head.level;
    return head.x_px <= w.x_px && head.y_px <= w.y_px && head.x_px + head.width_px * size >= w.x_px + w.width_px && head.y_px + head.height_px * size >= w.y_px + w.height_px;
  }

  /** @param {Frame} frame @param {{layer: string, key: string, request: EnhanceRequest, asked: number}} a */
  #done(frame, a) {
    if (!this.o.filter().method) return;
    const before = this.results.get(a.layer);
    this.results.set(a.layer, {
      name: a.request.drawn.method ?? "", key: a.key, level: a.request.level, final: frame.head.exact || a.request.drawn.patient, head: frame.head,
      night: new Raster(frame.head, frame.night, before?.night), twin: frame.twin && new Raster(frame.head, frame.twin, before?.twin),
    });
    this.stepped = a.asked;
    this.o.arrived();
    if (a.asked) this.sky.drawNow();
    this.changedAt = 0;
    // what else is missing: other layers, or what was asked meanwhile
    queueMicrotask(() => this.refresh());
  }
}

/** The panel: which filter, its settings, and what it does. */
export class FilterPanel {
  /**
   * @param {{methods: Method[], nights: Night[], before: number|null, scale_arcsec: number, reach_px: number, changed: () => void}} o
   */
  constructor(o) {
    this.o = o;
    /** @type {Filter} */
    this.filter = { method: null, settings: {}, against: null };
    /** @type {Map<string, Record<string, number|string>>} */
    this.kept = new Map();
    const pick = choice("Filter", [["", "None: the light itself"], ...o.methods.map((m) => /** @type {[string, string]} */ ([m.name, capital(m.title)]))], "", (name) => this.choose(name));
    this.select = pick.select;
    /** The night that ratios divide by. */
    this.other = o.before;
    this.settings = h("div", { class: "settings" });
    this.about = h("div", { class: "small" });
    this.how = h("p", { class: "small muted", "aria-live": "off" });
    this.section = drawer("Filter", { open: true }, pick.field, this.settings, this.how, this.about).section;
    this.#show();
  }

  /** @param {string} name */
  choose(name) {
    if (this.filter.method) this.kept.set(this.filter.method.name, this.filter.settings);
    const method = this.o.methods.find((m) => m.name === name) ?? null;
    this.select.value = method?.name ?? "";
    /** @type {Record<string, number|string>} */
    const usual = {};
    for (const s of method?.settings ?? []) {
      const value = s.kind === "choice" ? s.usual_choice : s.usual;
      if (value !== null) usual[s.name] = value;
    }
    this.filter = { method, settings: (method && this.kept.get(method.name)) ?? usual, against: method?.needs_other_night ? this.other : null };
    this.how.textContent = "";
    this.#show();
    this.o.changed();
  }

  /** @param {string} name @param {number|string} value */
  #set(name, value) {
    this.filter = { ...this.filter, settings: { ...this.filter.settings, [name]: value } };
    this.o.changed();
  }

  /** What the server says of the picture that is shown. @param {FrameHead|null} head */
  say(head) {
    if (!head) {
      this.how.textContent = "";
      return;
    }
    const coarse = head.exact ? "" : " Worked out on a coarser grid than the screen's: fine detail is missing.";
    this.how.textContent = `${capital(head.words)}.${coarse} ${figures(head.milliseconds, 2)} ms.`.replace("..", ".");
  }

  /** That there is no picture, and why. @param {string} words */
  sayRefused(words) {
    this.how.textContent = `Not shown: the light itself stands in its place. ${words}`;
  }

  #show() {
    const { method } = this.filter;
    const inputs = (method?.settings ?? []).map((setting) => this.#input(setting));
    if (method?.needs_other_night) {
      const others = this.o.nights;
      inputs.push(others.length
        ? choice("Divided by the night of", others.map((n) => /** @type {[string, string]} */ ([String(n.id), `${day(n.mid_utc)}${n.band ? `, ${n.band}` : ""}`])), String(this.other), (v) => {
          this.other = Number(v);
          this.filter = { ...this.filter, against: this.other };
          this.o.changed();
        }).field
        : h("p", { class: "small" }, "There is no other night with a stack to divide by."));
    }
    fill(this.settings, ...inputs);
    if (!method) fill(this.about);
    else {
      fill(this.about, method.what && h("p", null, method.what), h("p", null, h("b", null, "Can draw what is not there: "), method.artefacts),
        method.needs_other_night && h("p", null, h("b", null, "The twin here: "), "this night's twin divided by the other night's twin: two comae with nothing in them, imaged as the two nights were."),
        h("p", { class: "muted" }, `${method.brightness ? `Brightness: ${method.brightness}. ` : ""}Source: ${method.source}.`));
    }
  }

  /** @param {Setting} s */
  #input(s) {
    const value = this.filter.settings[s.name];
    if (s.kind === "choice") {
      return choice(capital(s.label), (s.choices ?? []).map((c) => /** @type {[string, string]} */ ([c, c])), String(value), (v) => this.#set(s.name, v)).field;
    }
    const id = newId();
    const log = s.scale === "log" && (s.min ?? 0) > 0;
    // no length is of use that leads out of the picture
    const [min, max] = [s.min ?? 0, s.kind === "length_px" ? Math.min(s.max ?? Infinity, this.o.reach_px) : s.max ?? 100];
    const to = (/** @type {number} */ v) => (log ? Math.log(v) : v);
    const from = (/** @type {number} */ v) => {
      // by ratios every step is another value: a step of one size would be none at the lower end
      if (log) return Number(Math.min(Math.max(Math.exp(v), min), max).toPrecision(3));
      const step = s.step ?? (max - min) / 200;
      return Number(Math.min(Math.max(Math.round(v / step) * step, min), max).toPrecision(6));
    };
    const words = (/** @type {number} */ v) => {
      if (s.kind === "length_px" || s.unit === "px") return `${figures(v, 3)} px, ${figures(v * this.o.scale_arcsec, 3)}″`;
      return `${figures(v, 3)}${{ deg: "°", percent: " %" }[s.unit] ?? (s.unit ? ` ${s.unit}` : "")}`;
    };
    const range = h("input", { id, type: "range", min: to(min), max: to(max), step: log ? (to(max) - to(min)) / 400 : s.step ?? "any", value: to(Number(value)) });
    const output = h("output", { for: id }, words(Number(value)));
    range.setAttribute("aria-valuetext", words(Number(value)));
    range.addEventListener("input", () => {
      const v = from(range.valueAsNumber);
      output.textContent = words(v);
      range.setAttribute("aria-valuetext", words(v));
      this.#set(s.name, v);
    });
    return h("div", { class: "slider" }, h("label", { for: id }, capital(s.label)), output, range);
  }
}
