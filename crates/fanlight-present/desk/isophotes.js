/** Isophotes over the panes: gathers the values that are shown and has them traced by a worker. @module */

/** @import { SkyView, Lines } from "./sky_view.js" */
/** @import { NightRecord } from "./types.js" */
/** @import { Isophote } from "./isophote_worker.js" */
import { inks } from "./theme.js";

/** Cells along the longer side, at most. */
const CELLS = 512;
const LABEL_APART_PX = 44;

export class Isophotes {
  /** @param {SkyView} sky @param {NightRecord} record */
  constructor(sky, record) {
    this.sky = sky;
    this.record = record;
    this.on = false;
    /** Lines of each pane, in cells, and where the cells lie. @type {{sets: Isophote[][], size: number, x0: number, y0: number, layers: string[]}|null} */
    this.traced = null;
    /** @type {Worker|null} */
    this.worker = null;
    this.jobs = 0;
    this.timer = 0;
    /** Where the cells of the job in work lie. @type {{id: number, size: number, x0: number, y0: number, layers: string[]}|null} */
    this.inWork = null;
    sky.lines.push(this.#lines);
  }

  stop() {
    clearTimeout(this.timer);
    this.worker?.terminate();
    this.worker = null;
  }

  /** @param {boolean} on */
  turn(on) {
    this.on = on;
    if (!on) this.traced = null;
    this.sky.draw("above");
    this.refresh();
  }

  /** Traces anew, once the view has come to rest. */
  refresh() {
    clearTimeout(this.timer);
    if (this.on) this.timer = setTimeout(() => this.#start(), 120);
  }

  unit() {
    return this.sky.grid.view.zero_point_mag === null ? "e⁻/s/arcsec²" : "mag/arcsec²";
  }

  #start() {
    const seen = this.sky.seen();
    if (!seen) return;
    const { tiles, grid } = this.sky;
    const { view } = grid;
    // some more than is seen, so that a small step of the view still has lines
    const margin = 0.15 * (seen.rect.x1 - seen.rect.x0);
    const clip = (/** @type {number} */ v, /** @type {number} */ size) => Math.min(Math.max(v, 0), size);
    const [left, right] = [clip(seen.rect.x0 - margin, view.width_px), clip(seen.rect.x1 + margin, view.width_px)];
    const [top, bottom] = [clip(seen.rect.y0 - margin, view.height_px), clip(seen.rect.y1 + margin, view.height_px)];
    let level = seen.level;
    while (level < tiles.coarsest && Math.max(right - left, bottom - top) / 2 ** level > CELLS) level += 1;
    const size = 2 ** level;
    const levelSize = view.levels[level];
    const [i0, j0] = [Math.floor(left / size), Math.floor(top / size)];
    const [width, height] = [Math.min(Math.ceil(right / size), levelSize.width_px) - i0, Math.min(Math.ceil(bottom / size), levelSize.height_px) - j0];
    if (width < 4 || height < 4) return;
    const layers = this.sky.panes.flatMap((p) => (p.picture && p.picture.layer !== "sigma" ? [p.picture.layer] : []));
    const grids = [];
    for (const layer of layers) {
      const cells = new Float32Array(width * height).fill(NaN);
      for (const place of tiles.touching(layer, level, { x0: left, x1: right, y0: top, y1: bottom })) {
        const floats = tiles.floats.get(`${layer}/${level}/${place.column}/${place.row}`);
        if (!floats) {
          tiles.want(place);
          tiles.fetch();
          this.refresh();
          return;
        }
        const [x, y] = [place.column * view.tile_px - i0, place.row * view.tile_px - j0];
        const [from, to] = [Math.max(0, -x), Math.min(floats.width, width - x)];
        for (let row = Math.max(0, -y); row < Math.min(floats.height, height - y) && to > from; row += 1) {
          cells.set(floats.values.subarray(row * floats.width + from, row * floats.width + to), (y + row) * width + x + from);
        }
      }
      grids.push(cells);
    }
    if (grids.length === 0) return;
    const fwhm_px = view.fwhm_px ?? 2.5;
    const random = (view.sky_noise ?? 0) / Math.max((2 * Math.sqrt(Math.PI) * fwhm_px) / 2.35482, 1);
    const sky = (this.record.stack.residual_sky_err_e_per_s_arcsec2 ?? 0) * grid.area_arcsec2;
    this.jobs += 1;
    this.inWork = { id: this.jobs, size, x0: i0, y0: j0, layers };
    this.#workerNow().postMessage({
      id: this.jobs, grids, width, height, fwhm: Math.max(fwhm_px / size, 1), centre_x: (view.centre_x_px + 0.5) / size - 0.5 - i0, centre_y: (view.centre_y_px + 0.5) / size - 0.5 - j0,
      noise: Math.hypot(random, sky), area_arcsec2: grid.area_arcsec2, zero_point_mag: view.zero_point_mag,
    }, grids.map((g) => g.buffer));
  }

  #workerNow() {
    if (!this.worker) {
      this.worker = new Worker(new URL("./isophote_worker.js", import.meta.url), { type: "module" });
      this.worker.onmessage = (event) => {
        const { inWork } = this;
        if (!inWork || event.data.id !== inWork.id || !this.on) return;
        this.traced = { ...inWork, sets: event.data.sets };
        this.sky.draw("above");
      };
    }
    return this.worker;
  }

  /** @type {Lines} */
  #lines = (c, project, pane) => {
    const { traced } = this;
    const set = traced?.sets[traced.layers.indexOf(pane.picture?.layer ?? "")];
    if (!traced || !set) return;
    const { size, x0, y0 } = traced;
    const colours = inks();
    const [origin, across, down] = [project((x0 + 0.5) * size - 0.5, (y0 + 0.5) * size - 0.5), project((x0 + 1.5) * size - 0.5, (y0 + 0.5) * size - 0.5), project((x0 + 0.5) * size - 0.5, (y0 + 1.5) * size - 0.5)];
    const [ax, ay, bx, by] = [across[0] - origin[0], across[1] - origin[1], down[0] - origin[0], down[1] - origin[1]];
    const path = new Path2D();
    for (const iso of set) {
      for (const line of iso.lines) {
        for (let i = 0; i < line.length; i += 2) {
          const [x, y] = [origin[0] + line[i] * ax + line[i + 1] * bx, origin[1] + line[i] * ay + line[i + 1] * by];
          if (i === 0) path.moveTo(x, y);
          else path.lineTo(x, y);
        }
      }
    }
    c.lineJoin = "round";
    for (const [colour, width] of /** @type {[string, number][]} */ ([[colours.overDark, 2.6], [colours.overPale, 1.1]])) {
      c.strokeStyle = colour;
      c.lineWidth = width;
      c.stroke(path);
    }
    this.#labels(c, set, (x, y) => [origin[0] + x * ax + y * bx, origin[1] + x * ay + y * by], pane.box());
  };

  /**
   * @param {CanvasRenderingContext2D} c @param {Isophote[]} set @param {(x: number, y: number) => [number, number]} at
   * @param {{x: number, y: number, width: number, height: number}} box
   */
  #labels(c, set, at, box) {
    const colours = inks();
    /** @type {[number, number][]} */
    const taken = [];
    c.font = `${12 * colours.rem}px system-ui, sans-serif`;
    c.textAlign = "center";
    c.textBaseline = "middle";
    const clear = (/** @type {[number, number]} */ [x, y]) => x > box.x + 22 && x < box.x + box.width - 22 && y > box.y + 12 && y < box.y + box.height - 12
      && taken.every(([u, v]) => Math.hypot(u - x, v - y) >= LABEL_APART_PX);
    for (const iso of set) {
      const longest = iso.lines.reduce((a, b) => (b.length > a.length ? b : a));
      let [best, reach] = [/** @type {[number, number]|null} */ (null), -Infinity];
      // few points are enough to find a place to the lower right
      const step = 2 * Math.max(1, Math.floor(longest.length / 120));
      for (let i = 0; i < longest.length; i += step) {
        const p = at(longest[i], longest[i + 1]);
        const far = 0.6 * p[0] + 0.8 * p[1];
        if (far > reach && clear(p)) [best, reach] = [p, far];
      }
      if (!best) continue;
      taken.push(best);
      c.lineWidth = 3.5;
      c.strokeStyle = colours.overDark;
      c.strokeText(iso.label, ...best);
      c.fillStyle = colours.overPale;
      c.fillText(iso.label, ...best);
    }
  }
}
