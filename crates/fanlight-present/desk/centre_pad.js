/** Moving the centre by hand: a small pad inside its error, keys and fields beyond it, and by how many σ it is moved. @module */

/** @import { Grid } from "./pose.js" */
import { drawer, h, number, s } from "./dom.js";
import { arcsec, figures, fixed } from "./format.js";

const SIZE = 132;
/** So far the pad reaches: beyond is another centre than the measured one. */
const PAD_SIGMA = 3;
/** CSS pixels of 1 σ on the pad. */
const SIGMA = (SIZE / 2 - 10) / PAD_SIGMA;
/** Farther the desk moves none: pixels of the stack. */
const MOST_PX = 50;
/** An end that was reached is not passed by rounding. */
const INSIDE = 1 - 1e-6;

export class CentrePad {
  /** @param {Grid} grid @param {() => void} changed */
  constructor(grid, changed) {
    this.grid = grid;
    this.changed = changed;
    const { centre_err_px } = grid.view;
    this.known = centre_err_px !== null && centre_err_px > 0;
    /** σ per axis in arcsec. */
    this.sigma_arcsec = (this.known ? /** @type {number} */ (centre_err_px) : 1) * grid.arcsec_per_px;
    const most = Number((MOST_PX * grid.arcsec_per_px).toFixed(1));
    /** Moved by, in σ: to the west (right) and north (up). */
    this.at = { west: 0, north: 0 };
    this.isFarthest = false;
    this.east = number("East", { value: 0, min: -most, max: most, unit: "″" }, (v) => this.move(-v / this.sigma_arcsec, this.at.north));
    this.north = number("North", { value: 0, min: -most, max: most, unit: "″" }, (v) => this.move(this.at.west, v / this.sigma_arcsec));
    this.dot = s("circle", { r: 5, class: "dot" });
    const ring = (/** @type {number} */ n) => s("circle", { r: n * SIGMA, class: n === 1 ? "one" : "three" });
    this.pad = s("svg", { class: "pad", viewBox: `${-SIZE / 2} ${-SIZE / 2} ${SIZE} ${SIZE}`, width: SIZE, height: SIZE, tabindex: 0, role: "application", "aria-label": "Centre: arrow keys move it by a quarter of its error, with Shift by two of them, Home puts it back" },
      ring(3), ring(1), s("path", { class: "axes", d: `M${-SIZE / 2} 0h${SIZE}M0 ${-SIZE / 2}v${SIZE}` }),
      s("text", { x: 4, y: -SIZE / 2 + 12 }, "N"), s("text", { x: -SIZE / 2 + 3, y: -4 }, "E"), s("text", { x: 0.7 * SIGMA + 2, y: 0.7 * SIGMA + 11 }, "1σ"), s("text", { x: 2.1 * SIGMA - 2, y: 2.1 * SIGMA + 11 }, "3σ"), this.dot);
    this.words = h("p", { class: "small", "aria-live": "polite" });
    this.back = h("button", { type: "button", onclick: () => this.move(0, 0) }, "Back to the measured centre");
    this.section = drawer("Centre", { open: false }, h("div", { class: "row" }, this.pad, h("div", { class: "stretchy" }, this.words, this.back)), h("div", { class: "row" }, this.east.field, this.north.field),
      h("p", { class: "small muted" }, "What a filter shows should stay when the centre moves inside its error. What turns round or changes sign is made by the centre.")).section;
    this.pad.addEventListener("pointerdown", (e) => { this.pad.setPointerCapture(e.pointerId); this.#point(e); });
    this.pad.addEventListener("pointermove", (e) => { if (this.pad.hasPointerCapture(e.pointerId)) this.#point(e); });
    this.pad.addEventListener("keydown", (e) => {
      const step = /** @type {Record<string, [number, number]>} */ ({ ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] })[e.key];
      if (e.key === "Home") this.move(0, 0);
      else if (step) {
        const by = e.shiftKey ? 2 : 0.25;
        this.move(this.at.west + by * step[0], this.at.north + by * step[1]);
      }
      else return;
      e.preventDefault();
    });
    this.#show();
  }

  /** By hand no farther than the pad shows. @param {PointerEvent} e */
  #point(e) {
    const r = this.pad.getBoundingClientRect();
    const [west, north] = [(e.clientX - r.left - r.width / 2) / SIGMA * (SIZE / r.width), -(e.clientY - r.top - r.height / 2) / SIGMA * (SIZE / r.height)];
    const held = Math.min(1, PAD_SIGMA / Math.hypot(west, north));
    this.move(west * held, north * held);
  }

  /** @param {number} west @param {number} north  in σ */
  move(west, north) {
    this.at = { west, north };
    const { dx_px, dy_px } = this.step();
    const held = (INSIDE * MOST_PX) / Math.hypot(dx_px, dy_px);
    this.isFarthest = held < 1;
    if (this.isFarthest) this.at = { west: west * held, north: north * held };
    this.#show();
    this.changed();
  }

  /** As a step in pixels of the stack. */
  step() {
    const { view } = this.grid;
    const [x, y] = this.grid.pixel(-this.at.west * this.sigma_arcsec, this.at.north * this.sigma_arcsec);
    const tidy = (/** @type {number} */ v) => Number(v.toFixed(6)) || 0;
    return { dx_px: tidy(x - view.centre_x_px), dy_px: tidy(y - view.centre_y_px) };
  }

  moved() {
    return Math.hypot(this.at.west, this.at.north) > 1e-9;
  }

  #show() {
    const by = Math.hypot(this.at.west, this.at.north);
    // beyond the pad it stands at the rim, hollow
    const isBeyond = by > PAD_SIGMA * (1 + 1e-9);
    const held = isBeyond ? (SIZE / 2 - 6) / (by * SIGMA) : 1;
    this.dot.setAttribute("cx", String(this.at.west * held * SIGMA));
    this.dot.setAttribute("cy", String(-this.at.north * held * SIGMA));
    this.dot.classList.toggle("beyond", isBeyond);
    this.back.disabled = !this.moved();
    for (const [field, v] of /** @type {const} */ ([[this.east, -this.at.west], [this.north, this.at.north]])) field.input.value = String(Number((v * this.sigma_arcsec).toFixed(3)) || 0);
    const error = this.known ? `Its error is ${arcsec(this.sigma_arcsec)} (1σ per axis).` : "Its error was not measured: one pixel is taken for 1σ.";
    this.words.textContent = this.moved()
      ? `Moved by ${fixed(by, 1)} σ: ${figures(by * this.sigma_arcsec, 2)}″ ${this.#toward()}${isBeyond ? `, outside ${PAD_SIGMA} σ: another centre than the measured one` : ""}.${this.isFarthest ? ` Farther than ${MOST_PX} pixels it is not moved.` : ""} ${error}`
      : `At the measured centre. ${error}`;
  }

  #toward() {
    const pa = (Math.atan2(-this.at.west, this.at.north) * 180) / Math.PI;
    return `toward PA ${fixed((pa + 360) % 360, 0)}°`;
  }

  /** The moved centre over the sky. @returns {import("./sky_view.js").Lines} */
  lines() {
    return (c, project) => {
      if (!this.moved()) return;
      const { view } = this.grid;
      const { dx_px, dy_px } = this.step();
      const [x, y] = project(view.centre_x_px + dx_px, view.centre_y_px + dy_px);
      c.strokeStyle = "#000";
      c.lineWidth = 3;
      c.beginPath();
      c.arc(x, y, 4, 0, 2 * Math.PI);
      c.stroke();
      c.strokeStyle = getComputedStyle(this.pad).getPropertyValue("--over-pale");
      c.lineWidth = 1.3;
      c.stroke();
    };
  }
}
