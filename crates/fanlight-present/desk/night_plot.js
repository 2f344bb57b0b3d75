/** A plot of the night that the report's own code draws, as wide as there is room, with the page's cursor laid over it. @module */

import * as api from "./api.js";
import { fill, h, s } from "./dom.js";
import { panels } from "./figure_axes.js";
import { drawing, themed } from "./figure_file.js";
import { theme } from "./theme.js";

/** @import { Panel } from "./figure_axes.js" */
/** @import { Where } from "./figure_file.js" */

/** The narrowest and the widest that the server draws. */
const [NARROWEST_PX, WIDEST_PX] = [280, 1600];

/** Where the plots of a night are. @param {number} night @returns {Where} */
export const plotsOf = (night) => (file) => `api/nights/${night}/plots/${file}`;

export class NightPlot {
  /**
   * @param {object} o
   * @param {Where} o.where
   * @param {string} o.name
   * @param {string} o.labelledby  id of its heading
   * @param {string} o.describedby  id of what reads it
   * @param {(x: number) => void} o.pointed
   * @param {(key: string) => boolean} o.key  whether the key does something
   * @param {(x: number) => void} [o.clicked]
   * @param {(svg: SVGSVGElement, panels: Panel[]) => void} [o.drawn]
   */
  constructor(o) {
    this.o = o;
    this.holder = h("div", { class: "figure-picture night-plot", tabindex: 0, role: "group", "aria-labelledby": o.labelledby, "aria-describedby": o.describedby });
    this.cursor = s("path", { class: "cursor", "data-cursor": "" });
    /** @type {Panel[]} */
    this.panels = [];
    /** @type {SVGSVGElement|null} */
    this.svg = null;
    /** @type {number|null} */
    this.x = null;
    this.wanted = "";
    this.timer = 0;
    this.#listen();
    this.watcher = new ResizeObserver(() => {
      clearTimeout(this.timer);
      this.timer = setTimeout(() => this.draw(), this.svg ? 150 : 0);
    });
    this.watcher.observe(this.holder);
    this.off = theme.listen(() => this.draw());
  }

  stop() {
    clearTimeout(this.timer);
    this.watcher.disconnect();
    this.off();
    this.wanted = "";
  }

  async draw() {
    const room = Math.round(this.holder.clientWidth);
    if (room === 0) return;
    const width = Math.min(Math.max(room, NARROWEST_PX), WIDEST_PX);
    const address = `${this.o.where(`${themed(this.o.name)}.svg`)}?width_px=${width}`;
    if (address === this.wanted) return;
    this.wanted = address;
    try {
      const svg = drawing(await api.text(address));
      if (this.wanted !== address) return;
      if (!svg) throw new Error("not a drawing");
      svg.removeAttribute("width");
      svg.removeAttribute("height");
      this.svg = svg;
      this.panels = panels(svg);
      this.o.drawn?.(svg, this.panels);
      svg.append(this.cursor);
      fill(this.holder, svg);
      this.setCursor(this.x);
    } catch {
      if (this.wanted !== address) return;
      this.wanted = "";
      fill(this.holder, h("p", { class: "small" }, "This plot could not be drawn; its values can be saved as CSV."));
    }
  }

  /** A line through all panels. @param {number|null} x */
  setCursor(x) {
    this.x = x;
    const lines = x === null ? [] : this.panels.filter((p) => p.x.holds(x)).map((p) => `M${p.x.at(x).toFixed(2)} ${p.top}v${p.height}`);
    this.cursor.setAttribute("d", lines.join(""));
  }

  /** The value of the x axis under the pointer; `null` beside the panels. @param {MouseEvent} e */
  #under(e) {
    const matrix = this.svg?.getScreenCTM();
    if (!matrix) return null;
    const p = new DOMPoint(e.clientX, e.clientY).matrixTransform(matrix.inverse());
    const panel = this.panels.find(({ left, width }) => p.x >= left && p.x <= left + width);
    return panel ? panel.x.back(p.x) : null;
  }

  #listen() {
    const point = (/** @type {PointerEvent} */ e) => { const x = this.#under(e); if (x !== null) this.o.pointed(x); };
    this.holder.addEventListener("pointermove", point);
    this.holder.addEventListener("pointerdown", point);
    this.holder.addEventListener("click", (e) => { const x = this.#under(e); if (x !== null) this.o.clicked?.(x); });
    this.holder.addEventListener("keydown", (e) => {
      if (e.ctrlKey || e.metaKey || e.altKey || !this.o.key(e.key)) return;
      e.preventDefault();
    });
  }
}
