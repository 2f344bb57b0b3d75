/**
 * Tiles of raw values: fetched as they are seen, painted through a table of colours, both kept within bounds of memory.
 * @module
 */

/** @import { View } from "./types.js" */
/** @import { Painter } from "./stretch.js" */
/** @import { Affine } from "./pose.js" */
import * as api from "./api.js";

const FLOAT_BYTES = 48e6;
const PAINTED_BYTES = 40e6;
const AT_ONCE = 6;
/** So far, in screen pixels, tiles reach under their neighbours: no seam where the canvas blends their edges. */
const UNDER = 0.6;

/**
 * @typedef {{layer: string, level: number, column: number, row: number}} Place
 * @typedef {{values: Float32Array, width: number, height: number}} Floats
 * @typedef {{canvas: HTMLCanvasElement, key: string}} Painted
 * @typedef {{x0: number, x1: number, y0: number, y1: number}} Rect  pixels of the stack
 */

/** @param {Place} p */
const name = (p) => `${p.layer}/${p.level}/${p.column}/${p.row}`;

/** A map that forgets what was not used for longest. @template T */
class Bounded {
  /** @param {number} limit  bytes */
  constructor(limit) {
    this.limit = limit;
    this.bytes = 0;
    /** @type {Map<string, {item: T, bytes: number}>} */
    this.all = new Map();
  }

  /** @param {string} key */
  get(key) {
    const entry = this.all.get(key);
    if (!entry) return undefined;
    this.all.delete(key);
    this.all.set(key, entry);
    return entry.item;
  }

  /** @param {string} key @param {T} item @param {number} bytes */
  put(key, item, bytes) {
    this.drop(key);
    this.all.set(key, { item, bytes });
    this.bytes += bytes;
    for (const oldest of this.all.keys()) {
      if (this.bytes <= this.limit || oldest === key) break;
      this.drop(oldest);
    }
  }

  /** @param {string} key */
  drop(key) {
    this.bytes -= this.all.get(key)?.bytes ?? 0;
    this.all.delete(key);
  }
}

export class Tiles {
  /**
   * @param {View} view
   * @param {() => void} arrived
   * @param {(error: unknown) => void} failed
   */
  constructor(view, arrived, failed) {
    this.view = view;
    this.arrived = arrived;
    this.failed = failed;
    /** @type {Bounded<Floats>} */
    this.floats = new Bounded(FLOAT_BYTES);
    /** @type {Bounded<Painted>} */
    this.painted = new Bounded(PAINTED_BYTES);
    /** @type {Map<string, AbortController>} */
    this.running = new Map();
    /** Asked for by the last picture, nearest to being seen first. @type {Map<string, Place>} */
    this.wanted = new Map();
    /** What could not be had is not asked for again. @type {Set<string>} */
    this.refused = new Set();
    this.coarsest = view.levels.length - 1;
    /** What tiles are painted in, used again. @type {ImageData|null} */
    this.scratch = null;
  }

  held_bytes() {
    return this.floats.bytes + this.painted.bytes;
  }

  stop() {
    this.wanted.clear();
    for (const controller of this.running.values()) controller.abort();
    this.running.clear();
  }

  /** The level of which a pixel is about one pixel of the screen. @param {number} stack_px_per_screen_px */
  levelFor(stack_px_per_screen_px) {
    return Math.min(Math.max(Math.round(Math.log2(stack_px_per_screen_px)), 0), this.coarsest);
  }

  /** Tiles of a level that touch a rectangle. @param {string} layer @param {number} level @param {Rect} r @returns {Place[]} */
  touching(layer, level, r) {
    const side = this.view.tile_px * 2 ** level;
    const size = this.view.levels[level];
    const last = (/** @type {number} */ px) => Math.ceil(px / this.view.tile_px) - 1;
    const range = (/** @type {number} */ from, /** @type {number} */ to, /** @type {number} */ end) =>
      [Math.max(Math.floor((from + 0.5) / side), 0), Math.min(Math.floor((to + 0.5) / side), end)];
    const [c0, c1] = range(r.x0, r.x1, last(size.width_px));
    const [r0, r1] = range(r.y0, r.y1, last(size.height_px));
    const places = [];
    for (let row = r0; row <= r1; row += 1) for (let column = c0; column <= c1; column += 1) places.push({ layer, level, column, row });
    const middle = { column: (c0 + c1) / 2, row: (r0 + r1) / 2 };
    const away = (/** @type {Place} */ p) => Math.hypot(p.column - middle.column, p.row - middle.row);
    return places.sort((a, b) => away(a) - away(b));
  }

  /** Says which tiles the picture of this moment needs; those of earlier moments that wait are forgotten. */
  begin() {
    this.wanted.clear();
  }

  /** @param {Place} place */
  want(place) {
    const key = name(place);
    if (!this.floats.all.has(key) && !this.running.has(key) && !this.refused.has(key)) this.wanted.set(key, place);
  }

  /** Fetches what is wanted, a few at once. */
  fetch() {
    for (const [key, place] of this.wanted) {
      if (this.running.size >= AT_ONCE) return;
      this.wanted.delete(key);
      this.#fetch(key, place);
    }
  }

  /** @param {string} key @param {Place} p */
  async #fetch(key, p) {
    const controller = new AbortController();
    this.running.set(key, controller);
    try {
      const values = await api.tile(this.view.id, p.layer, p.level, p.column, p.row, this.view.stamp ?? "", controller.signal);
      const { width, height } = this.size(p);
      if (values.length !== width * height) throw new api.Refused(`A tile of the layer ${p.layer} has ${values.length} values and not ${width * height}.`, "Was the night worked out anew? Load the page again.", 0);
      this.floats.put(key, { values, width, height }, values.byteLength);
      this.painted.drop(key);
    } catch (error) {
      if (!api.isAbort(error)) {
        this.refused.add(key);
        this.failed(error);
      }
    }
    this.running.delete(key);
    if (controller.signal.aborted) return;
    this.arrived();
    this.fetch();
  }

  /** @param {Place} p */
  size(p) {
    const size = this.view.levels[p.level];
    const part = (/** @type {number} */ whole, /** @type {number} */ at) => Math.min(this.view.tile_px, whole - at * this.view.tile_px);
    return { width: part(size.width_px, p.column), height: part(size.height_px, p.row) };
  }

  /**
   * The value at a pixel of the stack from the finest tile that is held.
   * @param {string} layer @param {number} x @param {number} y
   * @returns {{value: number, level: number}|null}
   */
  value(layer, x, y) {
    const { width_px, height_px, tile_px } = this.view;
    const [i, j] = [Math.round(x), Math.round(y)];
    if (!(i >= 0 && j >= 0 && i < width_px && j < height_px)) return null;
    for (let level = 0; level <= this.coarsest; level += 1) {
      const [a, b] = [i >> level, j >> level];
      const held = this.floats.all.get(name({ layer, level, column: Math.floor(a / tile_px), row: Math.floor(b / tile_px) }))?.item;
      if (held) return { value: held.values[(b % tile_px) * held.width + (a % tile_px)], level };
    }
    return null;
  }

  /** Wants the finest tile at a pixel. @param {string} layer @param {number} x @param {number} y */
  wantAt(layer, x, y) {
    const [place] = this.touching(layer, 0, { x0: x, x1: x, y0: y, y1: y });
    if (place) this.want(place);
  }

  /**
   * Draws a layer: what is not there yet, or cannot be painted in the time, is stood in for by coarser tiles.
   * @param {CanvasRenderingContext2D} context
   * @param {string} layer
   * @param {number} level
   * @param {Rect} rect
   * @param {Painter} painter
   * @param {Affine} t  from stack pixels to the canvas's own pixels
   * @param {number} until  `performance.now()` at which painting stops
   * @returns {boolean} whether all is as sharp as it will be
   */
  draw(context, layer, level, rect, painter, t, until) {
    /** @type {Map<string, {place: Place, painted: Painted}>} */
    const chosen = new Map();
    let sharp = true;
    for (const place of this.touching(layer, level, rect)) {
      this.want(place);
      let at = place;
      for (;;) {
        const painted = this.#painted(at, painter, at.level >= level + 3 ? Infinity : until);
        if (painted) {
          chosen.set(name(at), { place: at, painted });
          break;
        }
        sharp = false;
        if (at.level === this.coarsest) {
          this.want(at);
          break;
        }
        at = { layer, level: at.level + 1, column: at.column >> 1, row: at.row >> 1 };
      }
    }
    const list = [...chosen.values()].sort((a, b) => b.place.level - a.place.level);
    for (const { place, painted } of list) this.#put(context, place, painted.canvas, t);
    return sharp;
  }

  /** @param {number} width @param {number} height */
  #scratch(width, height) {
    if (this.scratch?.width !== width || this.scratch.height !== height) this.scratch = new ImageData(width, height);
    return this.scratch;
  }

  /** @param {Place} place @param {Painter} painter @param {number} until @returns {Painted|null} */
  #painted(place, painter, until) {
    const key = name(place);
    const held = this.painted.get(key);
    if (held?.key === painter.key) return held;
    const floats = this.floats.get(key);
    if (!floats || performance.now() > until) return null;
    const { width, height } = floats;
    const canvas = held?.canvas ?? document.createElement("canvas");
    if (!held) [canvas.width, canvas.height] = [width + 2, height + 2];
    const image = this.#scratch(width + 2, height + 2);
    const out = new Uint32Array(image.data.buffer);
    const stride = width + 2;
    const side = this.view.tile_px;
    painter.paint(floats.values, width, out, stride + 1, stride, (place.column + place.row) * side);
    // edges once more around the tile
    for (let y = 1; y <= height; y += 1) {
      out[y * stride] = out[y * stride + 1];
      out[y * stride + width + 1] = out[y * stride + width];
    }
    out.copyWithin(0, stride, 2 * stride);
    out.copyWithin((height + 1) * stride, height * stride, (height + 1) * stride);
    /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d")).putImageData(image, 0, 0);
    const painted = { canvas, key: painter.key };
    this.painted.put(key, painted, 4 * (width + 2) * (height + 2));
    return painted;
  }

  /** @param {CanvasRenderingContext2D} context @param {Place} p @param {HTMLCanvasElement} canvas @param {Affine} t */
  #put(context, p, canvas, t) {
    const size = 2 ** p.level;
    const side = this.view.tile_px;
    const [width, height] = [canvas.width - 2, canvas.height - 2];
    const under = Math.min(UNDER / (Math.hypot(t.a, t.b) * size), 1);
    context.setTransform(t.a, t.b, t.c, t.d, t.e, t.f);
    context.drawImage(canvas, 1 - under, 1 - under, width + 2 * under, height + 2 * under,
      (p.column * side - under) * size - 0.5, (p.row * side - under) * size - 0.5, (width + 2 * under) * size, (height + 2 * under) * size);
  }
}
