/** One's own sector: a dial and two rings on the sky, what it measures, and the measurements that were saved. @module */

/** @import { Measurement, NightRecord, Sector, SectorResult } from "./types.js" */
/** @import { SkyView, Lines } from "./sky_view.js" */
import * as api from "./api.js";
import { drawer, fill, h, number, tick } from "./dom.js";
import { arcsec, date, degrees, fixed, known, percentError, probability, turn, wrapped } from "./format.js";
import { apply, inverse } from "./pose.js";
import { inks, memory } from "./theme.js";

const NAME = "fanlight-desk-observer";
const STEP_DEG = 2;
/** Least distance between handles. */
const APART_PX = 27;
/** A sector that reaches less far on the screen is brought closer. */
const LEAST_SECTOR_PX = 4 * APART_PX;
/** The dial of the position angle stays so far inside the picture. */
const EDGE_PX = 16;

const DARK_BRIGHT = { brighter: "bright", darker: "dark" };

/** The side that the probabilities are of. @param {SectorResult} r */
const sideOf = (r) => r.side ?? ((r.significance ?? r.contrast ?? 0) < 0 ? "darker" : "brighter");

/** @typedef {"pa"|"width"|"inner"|"outer"} Part */

/** @type {Record<Part, string>} */
const LABELS = { pa: "Position angle of the sector", width: "Width of the sector", inner: "Inner radius of the sector", outer: "Outer radius of the sector" };

export class Measure {
  /**
   * @param {NightRecord} record @param {SkyView} sky
   * @param {{night: number, observers: string[], announce: (text: string) => void, failed: (error: unknown) => void}} o
   */
  constructor(record, sky, o) {
    this.sky = sky;
    this.o = o;
    this.on = false;
    const { grid } = sky;
    const { view } = grid;
    const area = record.morphology.search;
    this.least = 2 * grid.arcsec_per_px;
    this.most = Math.floor(10 * Math.hypot(view.width_px, view.height_px) * grid.arcsec_per_px) / 10;
    const outer = area ? Math.min(area.outer_arcsec, 0.6 * area.outer_arcsec + area.inner_arcsec) : 0.15 * this.most;
    /** @type {Sector} */
    this.sector = { pa_deg: Math.round(view.sunward_pa_deg ?? 0), width_deg: 30, inner_arcsec: Number(Math.max(area ? 2 * area.inner_arcsec : 0, 2 * this.least).toFixed(1)), outer_arcsec: Number(outer.toFixed(1)) };
    /** @type {Measurement[]} */
    this.rows = [];
    /** What was saved or undone here, newest last. @type {{id: number, undone: boolean}[]} */
    this.past = [];
    /** @type {number[]} */
    this.future = [];
    this.queue = api.latest((/** @type {Sector} */ sector, signal) => api.sector(o.night, sector, signal), (result) => this.#result(result), (error) => this.#refused(error));
    this.timer = 0;
    this.result = h("div", { class: "result", "aria-live": "polite" });
    sky.lines.push(this.#lines);
    this.handles = /** @type {[Part, HTMLElement][]} */ (/** @type {Part[]} */ (["pa", "width", "inner", "outer"]).map((part) => [part, this.#handle(part)]));
    for (const [, handle] of this.handles) sky.panes[0].glass.append(handle);
    sky.placed.push((project, pane) => {
      if (pane !== sky.panes[0] || !this.on) return;
      const box = pane.box();
      for (const [part, handle] of this.handles) {
        const [x, y] = this.#place(part, project);
        handle.style.transform = `translate(${x.toFixed(1)}px, ${y.toFixed(1)}px)`;
        handle.hidden = x < box.x - 4 || y < box.y - 4 || x > box.x + box.width + 4 || y > box.y + box.height + 4;
      }
    });
    this.#build();
    this.#turnOn(false);
  }

  stop() {
    clearTimeout(this.timer);
    this.queue.stop();
  }

  #build() {
    const field = (/** @type {Part} */ part, /** @type {string} */ label, /** @type {string} */ unit, /** @type {[number, number]|[]} */ [min, max] = []) =>
      number(label, { value: this.#value(part), min, max, unit }, (v) => this.#set(part, v));
    this.inputs = { pa: field("pa", "PA", "°"), width: field("width", "Width", "°", [2, 180]), inner: field("inner", "Inner", "″", [0, this.most]), outer: field("outer", "Outer", "″", [0, this.most]) };
    const kept = memory.read(NAME);
    const person = h("input", { type: "text", id: "measured-by", autocomplete: "name", value: kept ?? "", list: "measured-by-names", maxlength: 80 });
    const names = h("datalist", { id: "measured-by-names" }, ...this.o.observers.map((name) => h("option", { value: name })));
    const note = h("input", { type: "text", id: "measured-note", maxlength: 300 });
    const remember = tick("Keep my name in this browser", kept !== null, (on) => memory.write(NAME, on ? person.value : null));
    person.addEventListener("change", () => { if (remember.input.checked) memory.write(NAME, person.value); });
    this.saveButton = h("button", { type: "submit", class: "main" }, "Save as my measurement");
    const form = h("form", { onsubmit: (/** @type {Event} */ e) => { e.preventDefault(); this.#save(person.value.trim(), note); } },
      h("div", { class: "row" }, h("div", { class: "field" }, h("label", { for: "measured-by" }, "Measured by"), person, names), h("div", { class: "field stretchy" }, h("label", { for: "measured-note" }, "Note"), note)), remember.field, this.saveButton);
    this.undoButton = h("button", { type: "button", onclick: () => this.undo() }, "Undo");
    this.redoButton = h("button", { type: "button", onclick: () => this.redo() }, "Redo");
    this.list = h("ul", { class: "measurements" });
    this.switch = tick("A sector on the sky", false, (on) => this.#turnOn(on));
    this.tools = h("div", null, h("div", { class: "four" }, ...Object.values(this.inputs).map((i) => i.field)), this.result, form);
    this.section = drawer("Measure", { open: true }, this.switch.field, this.tools, h("h3", null, "Measured by people"), h("div", { class: "row" }, this.undoButton, this.redoButton), this.list).section;
  }

  async load() {
    try {
      this.rows = await api.measurements(this.o.night);
    } catch (error) {
      this.o.failed(error);
    }
    this.#showRows();
  }

  /** @param {boolean} on */
  #turnOn(on) {
    this.on = on;
    if (this.switch) this.switch.input.checked = on;
    if (this.tools) this.tools.hidden = !on;
    for (const [, handle] of this.handles) handle.hidden = !on;
    this.sky.draw("above");
    // on the whole stack the handles would cover the sector
    const { pose } = this.sky;
    if (on && this.sky.isWhole && pose && this.sector.outer_arcsec < LEAST_SECTOR_PX * pose.scale) this.sky.closeTo(1.5 * this.sector.outer_arcsec);
    if (on) this.#ask();
    else this.queue.stop();
  }

  /** @param {Part} part */
  #value(part) {
    const s = this.sector;
    return { pa: s.pa_deg, width: s.width_deg, inner: s.inner_arcsec, outer: s.outer_arcsec }[part];
  }

  /** @param {Part} part @param {number} value */
  #set(part, value) {
    const s = { ...this.sector };
    const round = (/** @type {number} */ v) => Number(v.toFixed(1));
    if (part === "pa") s.pa_deg = round(turn(value)) % 360;
    else if (part === "width") s.width_deg = round(Math.min(Math.max(value, 2), 180));
    else if (part === "inner") s.inner_arcsec = round(Math.min(Math.max(value, 0), s.outer_arcsec - this.least));
    else s.outer_arcsec = round(Math.max(Math.min(value, this.most), s.inner_arcsec + this.least));
    this.sector = s;
    for (const key of /** @type {Part[]} */ (["pa", "width", "inner", "outer"])) if (this.inputs) this.inputs[key].input.value = String(this.#value(key));
    this.#sayHandles();
    this.sky.draw("above");
    this.#ask();
  }

  #ask() {
    clearTimeout(this.timer);
    if (this.saveButton) this.saveButton.disabled = false;
    if (!this.result.childElementCount) fill(this.result, h("p", { class: "muted" }, "Measuring… the first sector of a night takes some seconds: its model is built."));
    this.result.classList.add("stale");
    this.timer = setTimeout(() => this.queue.ask(this.sector), 180);
  }

  /** A sector that is refused says so where its values would stand. @param {unknown} error */
  #refused(error) {
    if (api.notAllowed(error) === null) {
      fill(this.result);
      this.o.failed(error);
      return;
    }
    this.result.classList.remove("stale");
    if (this.saveButton) this.saveButton.disabled = true;
    fill(this.result, h("p", null, h("b", null, "Not measured. "), api.notAllowed(error)));
  }

  /** @param {SectorResult} r */
  #result(r) {
    this.result.classList.remove("stale");
    const s = this.sector;
    const cut = r.inner_arcsec - s.inner_arcsec > 0.05 || s.outer_arcsec - r.outer_arcsec > 0.05;
    const rows = /** @type {[string, string][]} */ ([
      ["Contrast", percentError(r.contrast, r.contrast_err)],
      ["Same sector of the twin", known(r.twin_contrast) ? percentError(r.twin_contrast, r.contrast_err) : "not measured"],
      ["Signal over noise", known(r.significance) ? fixed(r.significance, 1) : "not measured"],
      [`As ${DARK_BRIGHT[sideOf(r)]} somewhere by chance, chosen by eye`, probability(r.probability_by_eye)],
      ["Had this place and side been named before looking", probability(r.probability_alone)],
    ]);
    fill(this.result, cut && h("p", null, `Measured from ${arcsec(r.inner_arcsec)} to ${arcsec(r.outer_arcsec)}: the rest of the sector lies outside the part of the coma that can be measured.`),
      h("dl", { class: "values" }, ...rows.flatMap(([k, v]) => [h("dt", null, k), h("dd", null, v)])),
      h("p", { class: "small" }, r.explanation ?? "A place chosen by eye says less than one that a search found: the eye looked at many places first, and they are not counted."));
  }

  /** @param {string} person @param {HTMLInputElement} noteField */
  async #save(person, noteField) {
    const note = noteField.value.trim();
    if (!person) {
      this.o.announce("A measurement needs the name of who made it.");
      document.getElementById("measured-by")?.focus();
      return;
    }
    try {
      const row = await api.saveMeasurement(this.o.night, { ...this.sector, person, note: note || null });
      this.rows.push(row);
      this.past.push({ id: row.id, undone: false });
      this.future = [];
      noteField.value = "";
      this.#showRows();
      this.o.announce(`Saved: a sector at PA ${degrees(row.pa_deg)} by ${row.person}.`);
    } catch (error) {
      if (api.notAllowed(error) === null) this.o.failed(error);
      else this.#refused(error);
    }
  }

  async undo() {
    const last = this.past.pop();
    if (!last) return;
    await this.#mark(last.id, !last.undone);
    this.future.push(last.id);
    this.#showRows();
  }

  async redo() {
    const id = this.future.pop();
    if (id === undefined) return;
    const row = this.rows.find((r) => r.id === id);
    if (!row) return;
    const undone = row.undone_utc === null;
    await this.#mark(id, undone);
    this.past.push({ id, undone });
    this.#showRows();
  }

  /** Undoes a row or brings it back. @param {number} id @param {boolean} undone */
  async #mark(id, undone) {
    try {
      const answer = await (undone ? api.undoMeasurement(id) : api.redoMeasurement(id));
      const i = this.rows.findIndex((r) => r.id === id);
      if (i >= 0) this.rows[i] = { ...this.rows[i], ...answer, undone_utc: undone ? answer?.undone_utc ?? new Date().toISOString() : null };
      this.o.announce(undone ? "The measurement is undone; it stays in the ledger as undone." : "The measurement is back.");
    } catch (error) {
      this.o.failed(error);
    }
    this.#showRows();
  }

  #showRows() {
    if (!this.list || !this.undoButton || !this.redoButton) return;
    const { activeElement: focused } = document;
    this.undoButton.disabled = this.past.length === 0;
    this.redoButton.disabled = this.future.length === 0;
    if (focused === this.undoButton && this.undoButton.disabled) this.redoButton.focus();
    if (focused === this.redoButton && this.redoButton.disabled) this.undoButton.focus();
    if (this.rows.length === 0) {
      fill(this.list, h("li", { class: "muted" }, "None yet."));
      return;
    }
    fill(this.list, ...this.rows.map((r) => {
      const undone = r.undone_utc !== null && r.undone_utc !== undefined;
      const words = `PA ${degrees(r.pa_deg)}, ${fixed(r.width_deg, 0)}° wide, ${arcsec(r.inner_arcsec)} to ${arcsec(r.outer_arcsec)}: contrast ${percentError(r.contrast, r.contrast_err)}; as ${DARK_BRIGHT[sideOf(r)]} somewhere by chance ${probability(r.probability_by_eye)}`;
      return h("li", { class: undone ? "undone" : "" }, h("p", null, h("b", null, r.person), `, ${date(r.made_utc)}${undone ? " (undone)" : ""}`), h("p", null, words), r.note && h("p", { class: "muted" }, r.note),
        h("div", { class: "row" }, h("button", { type: "button", class: "quiet", "aria-label": `Show the sector of ${r.person} at PA ${degrees(r.pa_deg)}`, onclick: () => this.#showSector(r) }, "Show"),
          h("button", { type: "button", class: "quiet", "data-row": r.id, "aria-label": `${undone ? "Bring back" : "Undo"} the measurement of ${r.person} at PA ${degrees(r.pa_deg)}`, onclick: () => { this.past.push({ id: r.id, undone: !undone }); this.future = []; this.#mark(r.id, !undone); } }, undone ? "Bring back" : "Undo")));
    }));
    // a row that was drawn anew keeps the focus
    const row = focused?.getAttribute("data-row");
    if (row) /** @type {HTMLElement|null} */ (this.list.querySelector(`[data-row="${row}"]`))?.focus();
  }

  /** @param {Sector} s */
  #showSector(s) {
    this.sector = { pa_deg: s.pa_deg, width_deg: s.width_deg, inner_arcsec: s.inner_arcsec, outer_arcsec: s.outer_arcsec };
    this.#turnOn(true);
    this.#set("pa", s.pa_deg);
  }

  /**
   * Where a handle stands: on what it moves, or beside it where handles would cover one another.
   * @param {Part} part @param {(x: number, y: number) => [number, number]} project @returns {[number, number]}
   */
  #place(part, project) {
    const { grid, pose } = this.sky;
    const s = this.sector;
    const apart = APART_PX * (pose?.scale ?? 1);
    const outer = Math.max(s.outer_arcsec, s.inner_arcsec + apart);
    const at = (/** @type {number} */ pa, /** @type {number} */ rho) => project(...grid.atPolar(pa, rho));
    if (part === "inner") return at(s.pa_deg, s.inner_arcsec);
    if (part === "outer") return at(s.pa_deg, outer);
    if (part === "pa") return this.#inside(project(grid.view.centre_x_px, grid.view.centre_y_px), at(s.pa_deg, outer + apart));
    const middle = (s.inner_arcsec + s.outer_arcsec) / 2;
    const least = (2 * Math.asin(Math.min(apart / (2 * middle), 0.7)) * 180) / Math.PI;
    return at(s.pa_deg + Math.max(s.width_deg / 2, least), Math.max(middle, apart));
  }

  /** A place drawn toward the comet until it lies in the picture. @param {[number, number]} comet @param {[number, number]} place @returns {[number, number]} */
  #inside(comet, place) {
    const box = this.sky.panes[0].box();
    const share = (/** @type {number} */ from, /** @type {number} */ to, /** @type {number} */ low, /** @type {number} */ size) => {
      const end = to < from ? low + EDGE_PX : low + size - EDGE_PX;
      return (end - from) / (to - from || 1e-9);
    };
    const u = Math.min(1, share(comet[0], place[0], box.x, box.width), share(comet[1], place[1], box.y, box.height));
    return u > 0 ? [comet[0] + u * (place[0] - comet[0]), comet[1] + u * (place[1] - comet[1])] : place;
  }

  /** @param {Part} part */
  #handle(part) {
    const handle = h("div", { class: `sky-handle ${part}`, role: "slider", tabindex: 0, "aria-label": LABELS[part], hidden: true });
    const under = (/** @type {PointerEvent} */ e) => {
      const r = this.sky.panes[0].glass.getBoundingClientRect();
      const [x, y] = apply(inverse(this.sky.transform()), e.clientX - r.left, e.clientY - r.top);
      const p = this.sky.grid.polar(x, y);
      return part === "pa" ? p.pa_deg : part === "width" ? 2 * Math.abs(wrapped(p.pa_deg - this.sector.pa_deg)) : p.rho_arcsec;
    };
    // a handle may be taken beside what it moves
    let beside = 0;
    handle.addEventListener("pointerdown", (e) => {
      handle.setPointerCapture(e.pointerId);
      handle.focus({ preventScroll: true });
      beside = under(e) - this.#value(part);
      e.preventDefault();
    });
    handle.addEventListener("pointermove", (e) => { if (handle.hasPointerCapture(e.pointerId)) this.#set(part, under(e) - beside); });
    handle.addEventListener("keydown", (e) => {
      const sign = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageDown: -5, PageUp: 5 }[e.key];
      if (!sign) return;
      e.preventDefault();
      const step = part === "pa" || part === "width" ? (e.shiftKey ? 0.5 : STEP_DEG) : this.least * (e.shiftKey ? 0.25 : 1);
      this.#set(part, this.#value(part) + sign * step);
    });
    return handle;
  }

  #sayHandles() {
    for (const [part, handle] of this.handles) {
      const value = this.#value(part);
      const angle = part === "pa" || part === "width";
      handle.setAttribute("aria-valuemin", "0");
      handle.setAttribute("aria-valuemax", String(part === "pa" ? 360 : part === "width" ? 180 : Math.round(this.most)));
      handle.setAttribute("aria-valuenow", String(value));
      handle.setAttribute("aria-valuetext", angle ? degrees(value) : arcsec(value));
    }
  }

  /** @type {Lines} */
  #lines = (c, project) => {
    if (!this.on) return;
    this.#sayHandles();
    const { grid } = this.sky;
    const s = this.sector;
    const arc = (/** @type {number} */ rho, /** @type {number} */ from, /** @type {number} */ to) => {
      const n = Math.max(8, Math.ceil(Math.abs(to - from) / 3));
      for (let k = 0; k <= n; k += 1) {
        const p = project(...grid.atPolar(from + ((to - from) * k) / n, rho));
        if (k) c.lineTo(...p);
        else c.moveTo(...p);
      }
    };
    const [left, right] = [s.pa_deg - s.width_deg / 2, s.pa_deg + s.width_deg / 2];
    const colours = inks();
    c.lineJoin = "round";
    for (const [colour, width] of /** @type {[string, number][]} */ ([[colours.overDark, 4], [colours.overPale, 1.6]])) {
      c.strokeStyle = colour;
      c.lineWidth = width;
      c.beginPath();
      arc(s.inner_arcsec, left, right);
      c.lineTo(...project(...grid.atPolar(right, s.outer_arcsec)));
      arc(s.outer_arcsec, left, right);
      c.moveTo(...project(...grid.atPolar(left, s.inner_arcsec)));
      c.lineTo(...project(...grid.atPolar(left, s.outer_arcsec)));
      c.stroke();
      c.globalAlpha = 0.6;
      c.lineWidth = width / 2;
      c.beginPath();
      arc(s.inner_arcsec, right, left + 360);
      arc(s.outer_arcsec, right, left + 360);
      c.moveTo(...project(...grid.atPolar(s.pa_deg, s.outer_arcsec)));
      c.lineTo(...this.#place("pa", project));
      c.stroke();
      c.globalAlpha = 1;
    }
  };
}
