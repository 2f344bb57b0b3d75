/** The coma unrolled: position angle across, distance up; night above, twin below; one cursor with the sky. @module */

/** @import { Frame, NightRecord, Values } from "./types.js" */
/** @import { Filter } from "./filter.js" */
/** @import { Grid } from "./pose.js" */
/** @import { Mark } from "./features.js" */
import * as api from "./api.js";
import { MARGINS, axes, scale } from "./axes.js";
import { downloads } from "./downloads.js";
import { drawer, fill, h, newId, s, tick } from "./dom.js";
import { arcsec, degrees, figures } from "./format.js";
import { Painter, usual } from "./stretch.js";
import { isRed } from "./theme.js";

const [N_PA, N_RHO] = [360, 120];
const [WIDTH, HEIGHT] = [460, 240];

export class Unrolled {
  /**
   * @param {Grid} grid @param {NightRecord} record
   * @param {{name: string, filter: () => Filter, centre: () => {dx_px: number, dy_px: number}, layer: () => string, twin: boolean, marks: Mark[],
   *   cursor: () => {pa_deg: number, rho_arcsec: number}|null, pointed: (pa_deg: number, rho_arcsec: number) => void, failed: (error: unknown) => void}} o
   */
  constructor(grid, record, o) {
    this.grid = grid;
    this.o = o;
    const { view } = grid;
    const area = record.morphology.search ?? record.morphology.twin;
    const edge = Math.min(view.centre_x_px, view.centre_y_px, view.width_px - view.centre_x_px, view.height_px - view.centre_y_px) * grid.arcsec_per_px;
    this.inner = Math.max(area?.inner_arcsec ?? 0, 2 * grid.arcsec_per_px);
    this.outer = Math.max(Math.min(area?.outer_arcsec ?? edge, edge), 2 * this.inner);
    this.log = true;
    this.divided = true;
    this.timer = 0;
    /** @type {Frame|null} */
    this.frame = null;
    this.queue = api.latest(
      (/** @type {api.UnrolledRequest} */ request, signal) => api.unrolled(view.id, request, signal),
      (frame) => { this.frame = frame; this.draw(); },
      (error) => {
        const words = api.notAllowed(error);
        if (words === null) o.failed(error);
        else {
          this.frame = null;
          fill(this.place);
          this.caption.textContent = `Not shown. ${words}`;
        }
      },
    );
    this.place = h("div", { class: "unrolled" });
    this.caption = h("p", { class: "small muted" });
    this.readout = h("output", { class: "small", "aria-live": "polite" });
    const log = tick("Distance as logarithm", true, (on) => { this.log = on; this.refresh(); });
    const divided = tick("Without a filter: over the mean at each distance", true, (on) => { this.divided = on; this.draw(); });
    const made = drawer("Unrolled", { open: true }, this.place, this.readout, this.caption, h("div", { class: "row" }, log.field, divided.field));
    this.section = made.section;
    this.details = made.details;
    this.details.addEventListener("toggle", () => { if (this.details.open) this.refresh(); });
    /** @type {SVGPathElement[]} */
    this.cursors = [];
  }

  stop() {
    clearTimeout(this.timer);
    this.queue.stop();
  }

  /** Asks anew once the sliders rest: the sky comes first. */
  refresh() {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.#ask(), 160);
  }

  #ask() {
    if (!this.details.open) return;
    const { method, settings, against } = this.o.filter();
    const { dx_px, dy_px } = this.o.centre();
    const drawn = { method: method?.name ?? null, settings: method ? settings : {}, centre_dx_px: dx_px, centre_dy_px: dy_px, layer: this.o.layer(), against, with_twin: this.o.twin, patient: true };
    this.queue.ask({ drawn, inner_arcsec: this.inner, outer_arcsec: this.outer, n_pa: N_PA, n_rho: N_RHO, log_rho: this.log });
  }

  /** Each row over its mean. @param {Float32Array} values @param {number} width */
  #overMean(values, width) {
    const out = new Float32Array(values.length);
    for (let row = 0; row < values.length; row += width) {
      let [sum, n] = [0, 0];
      for (let i = row; i < row + width; i += 1) if (values[i] === values[i]) { sum += values[i]; n += 1; }
      const mean = sum / n;
      for (let i = row; i < row + width; i += 1) out[i] = n > width / 2 && mean > 0 ? values[i] / mean : NaN;
    }
    return out;
  }

  draw() {
    const { frame } = this;
    if (!frame) return;
    const { head } = frame;
    const plain = head.values === "level" && !this.o.filter().method;
    const over = plain && this.divided;
    /** @type {Values} */
    const values = over ? "about_one" : head.values;
    const shown = [frame.night, frame.twin].flatMap((v) => (v ? [over ? this.#overMean(v, head.width_px) : v] : []));
    const stretch = usual(shown[0], values, { noise: null, plain: false });
    const painter = new Painter(stretch, values === "about_zero" || values === "about_one" ? "blue_amber" : "dusk", isRed());
    const unit = over ? "times the mean at that distance" : head.unit;
    const x = { label: "PA (degrees, north through east)", min: 0, max: 360, ticks: /** @type {[number, string][]} */ ([0, 60, 120, 180, 240, 300, 360].map((v) => [v, `${v}°`])) };
    const y = { label: "ρ (arcsec)", log: this.log, min: this.inner, max: this.outer };
    const sx = scale(x, MARGINS.LEFT, WIDTH - MARGINS.RIGHT);
    const sy = scale(y, HEIGHT - MARGINS.BOTTOM, MARGINS.TOP);
    this.scales = { sx, sy };
    this.cursors = [];
    const figuresOf = shown.map((data, i) => {
      const cursor = s("path", { class: "cursor over", "data-cursor": "" });
      this.cursors.push(cursor);
      const title = i === 0 ? "Night, unrolled" : "Twin, unrolled";
      const id = newId();
      const picture = this.#picture(data, head.width_px, head.height_px, painter);
      const svg = s("svg", { class: "plot unrolled", viewBox: `0 0 ${WIDTH} ${HEIGHT}`, tabindex: 0, role: "img", "aria-labelledby": id },
        s("image", { href: picture, x: MARGINS.LEFT, y: MARGINS.TOP, width: WIDTH - MARGINS.LEFT - MARGINS.RIGHT, height: HEIGHT - MARGINS.TOP - MARGINS.BOTTOM, preserveAspectRatio: "none" }),
        axes(x, y, sx, sy, WIDTH, HEIGHT), ...(i === 0 ? this.o.marks : []).flatMap((m) => this.#mark(m)), this.#directions(sx), cursor);
      const rows = () => [["rho_arcsec \\ pa_deg", ...Array.from({ length: head.width_px }, (_, k) => ((k + 0.5) * 360) / head.width_px)], ...Array.from({ length: head.height_px }, (_, j) => [this.#rho(j, head.height_px), ...data.subarray(j * head.width_px, (j + 1) * head.width_px)])];
      this.#listen(svg);
      return h("figure", { class: "plot" }, h("figcaption", null, h("h3", { id }, title), downloads(`${this.o.name}-unrolled${i ? "-twin" : ""}`, title, () => svg, rows)), svg);
    });
    fill(this.place, ...figuresOf);
    this.data = { shown, head, unit };
    this.caption.textContent = `${over ? "The light over its mean at each distance" : head.words}; linear from ${figures(stretch.low, 4)} to ${figures(stretch.high, 4)} ${unit}${shown.length > 1 ? ", the same for both" : ""}. Marks on the upper edge: ☉ toward the Sun, −v against the orbital motion.`;
    this.setCursor(this.o.cursor());
  }

  /** @param {number} j @param {number} n */
  #rho(j, n) {
    const u = (j + 0.5) / n;
    return this.log ? this.inner * (this.outer / this.inner) ** u : this.inner + u * (this.outer - this.inner);
  }

  /** @param {Float32Array} data @param {number} width @param {number} height @param {Painter} painter */
  #picture(data, width, height, painter) {
    const canvas = h("canvas", { width, height });
    const image = new ImageData(width, height);
    const out = new Uint32Array(image.data.buffer);
    // inner first: the picture's last row
    for (let row = 0; row < height; row += 1) painter.paint(data.subarray(row * width, (row + 1) * width), width, out, (height - 1 - row) * width, width, row);
    canvas.getContext("2d")?.putImageData(image, 0, 0);
    return canvas.toDataURL("image/png");
  }

  /** @param {Mark} mark */
  #mark(mark) {
    const { drawn, ridge } = mark;
    if (!drawn || !this.scales) return [];
    const { sx, sy } = this.scales;
    let [d, last] = ["", NaN];
    for (const p of ridge.filter((q) => q.rho_arcsec >= this.inner && q.rho_arcsec <= this.outer)) {
      const [x, y] = [sx.at(p.pa_deg).toFixed(1), sy.at(p.rho_arcsec).toFixed(1)];
      d += drawn === "artefact" ? `M${Number(x) - 2} ${Number(y) - 2}l4 4m0 -4l-4 4` : `${d && Math.abs(p.pa_deg - last) < 180 ? "L" : "M"}${x} ${y}`;
      last = p.pa_deg;
    }
    return [s("path", { class: `ridge under ${drawn}`, d }), s("path", { class: `ridge ${drawn}`, d })];
  }

  /** @param {ReturnType<typeof scale>} sx */
  #directions(sx) {
    const { view } = this.grid;
    const all = /** @type {[number|null, string, string][]} */ ([[view.sunward_pa_deg, "☉", "sun"], [view.negative_velocity_pa_deg, "−v", "first"]]);
    return s("g", null, ...all.flatMap(([pa, words, role]) => (pa === null ? [] : [s("path", { class: `direction ${role}`, d: `M${sx.at(pa)} ${MARGINS.TOP}l-4 -7h8z` }), s("text", { class: `direction ${role}`, x: sx.at(pa) + 7, y: MARGINS.TOP - 1 }, words)])));
  }

  /** @param {SVGSVGElement} svg */
  #listen(svg) {
    const point = (/** @type {number} */ pa, /** @type {number} */ rho) => this.o.pointed(((pa % 360) + 360) % 360, Math.min(Math.max(rho, this.inner), this.outer));
    svg.addEventListener("pointermove", (e) => {
      if (!this.scales) return;
      const r = svg.getBoundingClientRect();
      const [x, y] = [((e.clientX - r.left) / r.width) * WIDTH, ((e.clientY - r.top) / r.height) * HEIGHT];
      if (x < MARGINS.LEFT || x > WIDTH - MARGINS.RIGHT || y < MARGINS.TOP || y > HEIGHT - MARGINS.BOTTOM) return;
      point(this.scales.sx.back(x), this.scales.sy.back(y));
    });
    svg.addEventListener("keydown", (e) => {
      const step = /** @type {Record<string, [number, number]>} */ ({ ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] })[e.key];
      if (!step) return;
      e.preventDefault();
      const { pa_deg, rho_arcsec } = this.o.cursor() ?? { pa_deg: 0, rho_arcsec: this.inner };
      point(pa_deg + 2 * step[0], rho_arcsec * 1.04 ** step[1]);
    });
  }

  /** @param {{pa_deg: number, rho_arcsec: number}|null} at */
  setCursor(at) {
    const inside = at && at.rho_arcsec >= this.inner && at.rho_arcsec <= this.outer;
    if (!at || !inside || !this.scales || !this.data) {
      this.cursors.forEach((c) => c.setAttribute("d", ""));
      this.readout.textContent = "";
      return;
    }
    const { sx, sy } = this.scales;
    const [x, y] = [sx.at(at.pa_deg), sy.at(at.rho_arcsec)];
    for (const c of this.cursors) c.setAttribute("d", `M${x - 10} ${y}h7m6 0h7M${x} ${y - 10}v7m0 6v7`);
    const { head, shown, unit } = this.data;
    const u = this.log ? Math.log(at.rho_arcsec / this.inner) / Math.log(this.outer / this.inner) : (at.rho_arcsec - this.inner) / (this.outer - this.inner);
    const [i, j] = [Math.min(Math.floor((at.pa_deg / 360) * head.width_px), head.width_px - 1), Math.min(Math.max(Math.floor(u * head.height_px), 0), head.height_px - 1)];
    const words = shown.map((data, k) => `${k ? "twin" : "night"} ${figures(data[j * head.width_px + i], 4)}`);
    this.readout.textContent = `PA ${degrees(at.pa_deg)}, ρ ${arcsec(at.rho_arcsec)}: ${words.join(", ")} ${unit}`;
  }
}
