/**
 * One or two panes of sky that share place, scale, stretch and cursor. Each pane is a picture under a layer of lines; both
 * are redrawn at most once per frame of the screen, and only when something changed.
 * @module
 */

/** @import { Painter } from "./stretch.js" */
/** @import { Raster } from "./raster.js" */
/** @import { Tiles } from "./tiles.js" */
/** @import { Affine, Pose } from "./pose.js" */
import { h, store } from "./dom.js";
import { Grid, apply, inverse, screenStep, shown } from "./pose.js";
import { drawRim } from "./rim.js";
import { inks } from "./theme.js";
import { timings } from "./timings.js";

/** Script that painting may take of one frame, ms. */
const PAINT_MS = 3;
/** And of a picture that has just been worked out, which is painted whole where it can be. */
const PAINT_NOW_MS = 14;
const RIM = 34;
/** Lines drawn over pictures. @typedef {(c: CanvasRenderingContext2D, project: (x: number, y: number) => [number, number], pane: Pane) => void} Lines */
/** What a pane shows: a layer's tiles, or a filtered picture. @typedef {{layer: string, raster: Raster|null, title: string, twin: boolean}} Picture */

/** One picture and the lines over it. */
export class Pane {
  constructor() {
    this.below = h("canvas", { class: "picture", "aria-hidden": "true" });
    this.above = h("canvas", { class: "lines", tabindex: 0, role: "application", "aria-describedby": "sky-keys" });
    this.title = h("h3", { class: "pane-title" });
    this.glass = h("div", { class: "glass" }, this.below, this.above);
    this.root = h("div", { class: "pane" }, this.title, this.glass);
    this.width = 0;
    this.height = 0;
    this.ratio = 1;
    /** @type {Picture|null} */
    this.picture = null;
  }

  /** Takes the size that the page gives. @returns {boolean} whether it changed */
  measure() {
    const ratio = Math.min(window.devicePixelRatio || 1, 3);
    const [width, height] = [this.glass.clientWidth, this.glass.clientHeight];
    if (width === this.width && height === this.height && ratio === this.ratio) return false;
    [this.width, this.height, this.ratio] = [width, height, ratio];
    for (const canvas of [this.below, this.above]) {
      [canvas.width, canvas.height] = [Math.max(1, Math.round(width * ratio)), Math.max(1, Math.round(height * ratio))];
    }
    return true;
  }

  /** The picture inside the rim. */
  box() {
    return { x: RIM, y: RIM, width: Math.max(this.width - 2 * RIM, 1), height: Math.max(this.height - 2 * RIM, 1) };
  }
}

export class SkyView {
  /**
   * @param {Grid} grid
   * @param {Tiles} tiles
   * @param {() => Painter} painter
   */
  constructor(grid, tiles, painter) {
    this.grid = grid;
    this.tiles = tiles;
    this.painter = painter;
    this.panes = [new Pane(), new Pane()];
    this.root = h("div", { class: "panes" }, ...this.panes.map((p) => p.root));
    /** @type {Pose|null} */
    this.pose = null;
    /** Whether the pose still is the one that shows all: kept so when the window changes. */
    this.isWhole = true;
    this.turned_deg = 0;
    /** Where the cursor is, pixels of the stack. */
    this.cursor = store(/** @type {{x: number, y: number}|null} */ (null));
    /** Told when place or scale changed. */
    this.moved = store(/** @type {Pose|null} */ (null));
    /** Clicks that did not drag, on a pane, and Enter; pixels of the stack. @type {(x: number, y: number, reach_px: number, pane: Pane|null) => void} */
    this.clicked = () => {};
    /** @type {Lines[]} */
    this.lines = [];
    /** Elements that stand over the sky. @type {((project: (x: number, y: number) => [number, number], pane: Pane) => void)[]} */
    this.placed = [];
    /** Layers that may be shown the next moment: fetched after those that are. @type {() => string[]} */
    this.soon = () => [];
    this.due = { below: false, above: false };
    this.frame = 0;
    /** Something is on the screen: what else takes time may begin. @type {Promise<void>} */
    this.first = new Promise((drawn) => { this.drawn = drawn; });
    /** Told when every pane shows its picture whole, in today's colours. */
    this.painted = () => {};
    for (const pane of this.panes) this.#listen(pane);
    this.observer = new ResizeObserver(() => this.#resized());
    for (const pane of this.panes) this.observer.observe(pane.glass);
    this.unlisten = this.cursor.listen(() => this.draw("above"));
  }

  stop() {
    cancelAnimationFrame(this.frame);
    this.observer.disconnect();
    this.unlisten();
  }

  /** @param {Picture} first @param {Picture|null} second */
  show(first, second) {
    this.panes[0].picture = first;
    this.panes[1].picture = second;
    const two = second !== null;
    if (this.root.classList.contains("two") !== two || this.panes[1].root.hidden === two) {
      this.root.classList.toggle("two", two);
      this.panes[1].root.hidden = !two;
      this.#resized();
    }
    for (const pane of this.panes) {
      if (!pane.picture || pane.title.textContent === pane.picture.title) continue;
      pane.title.textContent = pane.picture.title;
      pane.title.title = pane.picture.title;
      pane.above.setAttribute("aria-label", `Sky: ${pane.picture.title}`);
    }
    this.draw("below");
  }

  /** Asks for a redraw. @param {"below"|"above"} what  below: pictures and lines, above: lines alone */
  draw(what) {
    this.due[what] = true;
    if (!this.frame) this.frame = requestAnimationFrame(() => this.#frame(PAINT_MS));
  }

  /** Redraws what is due at once: the screen's next frame shows it. */
  drawNow() {
    cancelAnimationFrame(this.frame);
    this.#frame(PAINT_NOW_MS);
  }

  /** @param {Pose} pose */
  setPose(pose) {
    const whole = this.whole();
    const finest = this.grid.arcsec_per_px / 40;
    const coarsest = whole.scale * 4;
    // the middle of the screen stays over the stack
    const { view } = this.grid;
    const [x, y] = this.grid.pixel(pose.east, pose.north);
    const [east, north] = this.grid.offset(Math.min(Math.max(x, 0), view.width_px - 1), Math.min(Math.max(y, 0), view.height_px - 1));
    this.pose = { east, north, scale: Math.min(Math.max(pose.scale, finest), coarsest), turned_deg: this.turned_deg };
    this.isWhole = false;
    this.moved.set(this.pose);
    this.draw("below");
  }

  /** @param {number} deg */
  setTurned(deg) {
    this.turned_deg = deg;
    if (this.isWhole || !this.pose) this.fit();
    else this.setPose(this.pose);
  }

  whole() {
    const { width, height } = this.panes[0].box();
    return this.grid.whole(width, height, this.turned_deg);
  }

  /** Shows the whole stack. */
  fit() {
    this.pose = this.whole();
    this.isWhole = true;
    this.moved.set(this.pose);
    this.draw("below");
  }

  /** Shows the comet in the middle, with so much around it. @param {number} radius_arcsec */
  closeTo(radius_arcsec) {
    const { width, height } = this.panes[0].box();
    if (this.pose) this.setPose({ ...this.pose, east: 0, north: 0, scale: (2.1 * radius_arcsec) / Math.min(width, height) });
  }

  /** @param {number} factor  above 1: closer @param {{x: number, y: number}} [about]  place in the pane, CSS pixels */
  zoom(factor, about) {
    if (!this.pose) return;
    const box = this.panes[0].box();
    const [dx, dy] = about ? [about.x - box.x - box.width / 2, about.y - box.y - box.height / 2] : [0, 0];
    const before = screenStep(this.pose, dx, dy);
    const next = { ...this.pose, scale: this.pose.scale / factor };
    const after = screenStep(next, dx, dy);
    this.setPose({ ...next, east: this.pose.east + before[0] - after[0], north: this.pose.north + before[1] - after[1] });
  }

  /** @param {number} dx @param {number} dy  CSS pixels that the sky moves */
  pan(dx, dy) {
    if (!this.pose) return;
    const [east, north] = screenStep(this.pose, -dx, -dy);
    this.setPose({ ...this.pose, east: this.pose.east + east, north: this.pose.north + north });
  }

  /** From pixels of the stack to CSS pixels of a pane. @returns {Affine} */
  transform() {
    const box = this.panes[0].box();
    const t = this.grid.affine(/** @type {Pose} */ (this.pose), box.width, box.height);
    return { ...t, e: t.e + box.x, f: t.f + box.y };
  }

  /** The pixels of the stack that are seen, and the level that suits the screen. */
  seen() {
    if (!this.pose) return null;
    const box = this.panes[0].box();
    const rect = shown(this.grid.affine(this.pose, box.width, box.height), box.width, box.height);
    const perScreenPx = this.pose.scale / this.grid.arcsec_per_px / this.panes[0].ratio;
    return { rect, level: this.tiles.levelFor(perScreenPx), css_px: box.width * box.height };
  }

  #resized() {
    let changed = false;
    for (const pane of this.panes) changed = (!pane.root.hidden && pane.measure()) || changed;
    if (!changed || this.panes[0].width === 0) return;
    if (this.isWhole || !this.pose) this.fit();
    this.draw("below");
    this.moved.set(this.pose);
  }

  /** @param {number} paint_ms */
  #frame(paint_ms) {
    const start = performance.now();
    this.frame = 0;
    const due = this.due;
    this.due = { below: false, above: false };
    const seen = this.seen();
    if (!seen || !this.pose) return;
    const panes = this.panes.filter((p) => p.picture && p.width > 0 && !p.root.hidden);
    if (due.below) {
      this.tiles.begin();
      const each = paint_ms / panes.length;
      let sharp = true;
      panes.forEach((pane, i) => { sharp = this.#picture(pane, seen, start + each * (i + 1)) && sharp; });
      const at = this.cursor.get();
      if (at) for (const layer of ["night", "sigma"]) this.tiles.wantAt(layer, at.x, at.y);
      for (const layer of this.soon()) for (const place of this.tiles.touching(layer, seen.level, seen.rect)) this.tiles.want(place);
      this.tiles.fetch();
      if (sharp) this.painted();
      else if (!this.tiles.running.size) this.draw("below");
    }
    const t = this.transform();
    const project = (/** @type {number} */ x, /** @type {number} */ y) => apply(t, x, y);
    const colours = inks();
    for (const pane of panes) {
      this.#lines(pane, project, colours);
      for (const place of this.placed) place(project, pane);
    }
    timings.add("frames", performance.now() - start);
  }

  /** @param {Pane} pane @param {NonNullable<ReturnType<SkyView["seen"]>>} seen @param {number} until @returns {boolean} */
  #picture(pane, seen, until) {
    const picture = /** @type {Picture} */ (pane.picture);
    const c = /** @type {CanvasRenderingContext2D} */ (pane.below.getContext("2d", { alpha: true }));
    const { ratio } = pane;
    const box = pane.box();
    c.resetTransform();
    c.clearRect(0, 0, pane.below.width, pane.below.height);
    c.save();
    c.beginPath();
    c.rect(Math.round(box.x * ratio), Math.round(box.y * ratio), Math.round(box.width * ratio), Math.round(box.height * ratio));
    c.clip();
    c.fillStyle = inks().wash;
    c.fill();
    const t = this.transform();
    const device = { a: t.a * ratio, b: t.b * ratio, c: t.c * ratio, d: t.d * ratio, e: t.e * ratio, f: t.f * ratio };
    // enlarged four times and more, pixels are shown as they are
    const screenPerPx = this.grid.arcsec_per_px / /** @type {Pose} */ (this.pose).scale;
    c.imageSmoothingEnabled = screenPerPx < 4;
    const painter = this.painter();
    let sharp;
    if (picture.raster) {
      sharp = picture.raster.paint(painter, until);
      picture.raster.draw(c, device);
    } else {
      sharp = this.tiles.draw(c, picture.layer, seen.level, seen.rect, painter, device, until);
    }
    c.restore();
    if (picture.raster || this.tiles.painted.bytes > 0) {
      this.drawn?.();
      timings.first_picture_ms ??= performance.now();
    }
    return sharp || (!picture.raster && this.tiles.running.size > 0);
  }

  /** @param {Pane} pane @param {(x: number, y: number) => [number, number]} project @param {ReturnType<typeof inks>} colours */
  #lines(pane, project, colours) {
    const c = /** @type {CanvasRenderingContext2D} */ (pane.above.getContext("2d"));
    c.setTransform(pane.ratio, 0, 0, pane.ratio, 0, 0);
    c.clearRect(0, 0, pane.width, pane.height);
    const box = pane.box();
    c.strokeStyle = colours.rule;
    c.lineWidth = 1;
    c.strokeRect(box.x - 0.5, box.y - 0.5, box.width + 1, box.height + 1);
    drawRim(c, box, this.grid.view, this.turned_deg, colours);
    c.save();
    c.beginPath();
    c.rect(box.x, box.y, box.width, box.height);
    c.clip();
    for (const lines of this.lines) lines(c, project, pane);
    c.restore();
  }

  /** The pixel of the stack under a place in a pane. @param {number} x @param {number} y */
  under(x, y) {
    return apply(inverse(this.transform()), x, y);
  }

  /** @param {number} dx @param {number} dy  CSS pixels that the cross moves */
  moveCross(dx, dy) {
    const t = this.transform();
    const { view } = this.grid;
    const at = this.cursor.get() ?? { x: view.centre_x_px, y: view.centre_y_px };
    const [x, y] = apply(t, at.x, at.y);
    const box = this.panes[0].box();
    const inside = (/** @type {number} */ v, /** @type {number} */ from, /** @type {number} */ size) => Math.min(Math.max(v, from), from + size);
    const [px, py] = this.under(inside(x + dx, box.x, box.width), inside(y + dy, box.y, box.height));
    this.cursor.set({ x: px, y: py });
  }

  /** @param {Pane} pane */
  #listen(pane) {
    const glass = pane.above;
    /** @type {Map<number, {x: number, y: number}>} */
    const down = new Map();
    let dragged = 0;
    const at = (/** @type {MouseEvent} */ e) => {
      const r = glass.getBoundingClientRect();
      return { x: e.clientX - r.left, y: e.clientY - r.top };
    };
    const inside = (/** @type {{x: number, y: number}} */ p) => {
      const box = pane.box();
      return p.x >= box.x && p.y >= box.y && p.x <= box.x + box.width && p.y <= box.y + box.height;
    };
    const point = (/** @type {{x: number, y: number}} */ p) => {
      const [x, y] = this.under(p.x, p.y);
      this.cursor.set({ x, y });
    };
    glass.addEventListener("pointerdown", (e) => {
      const p = at(e);
      if (e.button !== 0 || !inside(p) || !this.pose) return;
      glass.setPointerCapture(e.pointerId);
      if (down.size === 0) dragged = 0;
      down.set(e.pointerId, p);
      if (e.pointerType !== "mouse") point(p);
    });
    glass.addEventListener("pointermove", (e) => {
      if (!this.pose) return;
      const p = at(e);
      const before = down.get(e.pointerId);
      if (!before) {
        if (inside(p)) point(p);
        return;
      }
      dragged += Math.hypot(p.x - before.x, p.y - before.y);
      const other = [...down].find(([id]) => id !== e.pointerId)?.[1];
      if (other) {
        const far = (/** @type {{x: number, y: number}} */ q) => Math.max(Math.hypot(q.x - other.x, q.y - other.y), 10);
        this.pan((p.x - before.x) / 2, (p.y - before.y) / 2);
        this.zoom(far(p) / far(before), { x: (p.x + other.x) / 2, y: (p.y + other.y) / 2 });
      } else if (dragged > 3) {
        this.pan(p.x - before.x, p.y - before.y);
      }
      down.set(e.pointerId, p);
    });
    const up = (/** @type {PointerEvent} */ e) => {
      if (!down.delete(e.pointerId) || e.type === "pointercancel" || dragged > 3 || !this.pose) return;
      const [x, y] = this.under(at(e).x, at(e).y);
      this.cursor.set({ x, y });
      this.clicked(x, y, (12 * this.pose.scale) / this.grid.arcsec_per_px, pane);
    };
    glass.addEventListener("pointerup", up);
    glass.addEventListener("pointercancel", up);
    pane.glass.addEventListener("wheel", (e) => {
      if (!inside(at(e)) || !this.pose) return;
      e.preventDefault();
      const lines = e.deltaMode === 1 ? 33 : e.deltaMode === 2 ? 400 : 1;
      this.zoom(2 ** (-Math.min(Math.max(e.deltaY * lines, -400), 400) / (e.ctrlKey ? 100 : 320)), at(e));
    }, { passive: false });
    glass.addEventListener("dblclick", (e) => { if (inside(at(e))) this.zoom(2, at(e)); });
    glass.addEventListener("keydown", (e) => this.#key(e));
  }

  /** @param {KeyboardEvent} e */
  #key(e) {
    if (e.ctrlKey || e.metaKey || !this.pose) return;
    const arrows = /** @type {Record<string, [number, number]>} */ ({ ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] });
    const arrow = arrows[e.key];
    if (arrow && (e.shiftKey || e.altKey)) {
      const step = e.altKey ? 1 : 6;
      this.moveCross(arrow[0] * step, arrow[1] * step);
    } else if (arrow) {
      this.pan(-arrow[0] * 60, -arrow[1] * 60);
    } else if (e.key === "+" || e.key === "=") {
      this.zoom(Math.SQRT2);
    } else if (e.key === "-" || e.key === "−") {
      this.zoom(Math.SQRT1_2);
    } else if (e.key === "0") {
      this.fit();
    } else if (e.key === "c" || e.key === "C") {
      const { view } = this.grid;
      this.cursor.set({ x: view.centre_x_px, y: view.centre_y_px });
    } else if (e.key === "Enter") {
      const at = this.cursor.get();
      if (at) this.clicked(at.x, at.y, (12 * this.pose.scale) / this.grid.arcsec_per_px, null);
    } else {
      return;
    }
    e.preventDefault();
  }
}

/** The cursor's cross. @param {SkyView} sky @returns {Lines} */
export const crossLines = (sky) => (c, project) => {
  const at = sky.cursor.get();
  if (!at) return;
  const [x, y] = project(at.x, at.y);
  const colours = inks();
  for (const [colour, width] of /** @type {[string, number][]} */ ([[colours.overDark, 3], [colours.overPale, 1.2]])) {
    c.strokeStyle = colour;
    c.lineWidth = width;
    c.beginPath();
    for (const [dx, dy] of [[-1, 0], [1, 0], [0, -1], [0, 1]]) {
      c.moveTo(x + 4 * dx, y + 4 * dy);
      c.lineTo(x + 12 * dx, y + 12 * dy);
    }
    c.stroke();
  }
};
