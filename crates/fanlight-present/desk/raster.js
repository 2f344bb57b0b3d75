/** A filtered picture: one rectangle of values, painted a band at a time so that no frame waits for it. @module */

/** @import { FrameHead } from "./types.js" */
/** @import { Painter } from "./stretch.js" */
/** @import { Affine } from "./pose.js" */

const BAND_PX = 131072;

export class Raster {
  /** @param {FrameHead} head @param {Float32Array} values @param {Raster|null} [before]  shown until this one is painted, and then painted over */
  constructor(head, values, before = null) {
    /** @type {FrameHead} */
    this.head = head;
    this.values = values;
    /** What is shown. @type {HTMLCanvasElement|null} */
    this.front = null;
    this.frontKey = "";
    /** What is being painted. @type {{canvas: HTMLCanvasElement, key: string, row: number}|null} */
    this.back = null;
    /** @type {{canvas: HTMLCanvasElement, head: FrameHead}|null} */
    this.before = null;
    if (before) this.#follow(before);
  }

  /** @param {Raster} before */
  #follow(before) {
    this.before = before.front ? { canvas: before.front, head: before.head } : before.before;
    const spare = before.back?.canvas;
    if (spare && this.#fits(spare)) this.back = { canvas: spare, key: "", row: 0 };
  }

  /** @param {HTMLCanvasElement} canvas */
  #fits(canvas) {
    return canvas.width === this.head.width_px && canvas.height === this.head.height_px;
  }

  held_bytes() {
    const canvases = (this.front ? 1 : 0) + (this.back ? 1 : 0) + (this.before ? 1 : 0);
    return this.values.byteLength * (1 + canvases);
  }

  /** Paints until a time. @param {Painter} painter @param {number} until @returns {boolean} whether what is shown has this painter's colours */
  paint(painter, until) {
    if (this.frontKey === painter.key) return true;
    const { width_px, height_px } = this.head;
    if (this.back?.key !== painter.key) {
      const canvas = this.back?.canvas ?? document.createElement("canvas");
      if (!this.back) [canvas.width, canvas.height] = [width_px, height_px];
      this.back = { canvas, key: painter.key, row: 0 };
    }
    const context = /** @type {CanvasRenderingContext2D} */ (this.back.canvas.getContext("2d"));
    const rows = Math.max(1, Math.floor(BAND_PX / width_px));
    while (this.back.row < height_px) {
      if (performance.now() > until) return false;
      const row = this.back.row;
      const n = Math.min(rows, height_px - row);
      const image = new ImageData(width_px, n);
      painter.paint(this.values.subarray(row * width_px, (row + n) * width_px), width_px, new Uint32Array(image.data.buffer), 0, width_px, row);
      context.putImageData(image, 0, row);
      this.back.row += n;
    }
    const old = this.front ?? (this.before && this.#fits(this.before.canvas) ? this.before.canvas : null);
    this.before = null;
    this.front = this.back.canvas;
    this.frontKey = painter.key;
    this.back = old ? { canvas: old, key: "", row: 0 } : null;
    return true;
  }

  /** @param {CanvasRenderingContext2D} context @param {Affine} t  from stack pixels to the canvas's own */
  draw(context, t) {
    const canvas = this.front ?? this.before?.canvas;
    if (!canvas) return;
    const head = this.front ? this.head : this.before?.head ?? this.head;
    const size = 2 ** head.level;
    context.setTransform(t.a, t.b, t.c, t.d, t.e, t.f);
    context.drawImage(canvas, head.x_px - 0.5, head.y_px - 0.5, head.width_px * size, head.height_px * size);
  }

  /** @param {number} x @param {number} y  stack pixels */
  value(x, y) {
    const { head } = this;
    const size = 2 ** head.level;
    const [i, j] = [Math.floor((x + 0.5 - head.x_px) / size), Math.floor((y + 0.5 - head.y_px) / size)];
    return i >= 0 && j >= 0 && i < head.width_px && j < head.height_px ? this.values[j * head.width_px + i] : null;
  }
}
