/**
 * From values to places on a colour map: the report's rules, and a fast way to paint with them.
 * @module
 */

/** @import { Values } from "./types.js" */
/** @import { MapName } from "./colour.js" */
import { LEVELS, MAP_WORDS, palette } from "./colour.js";
import { figures } from "./format.js";

/** @typedef {"asinh"|"linear"|"log"} Curve */
/** @typedef {{curve: Curve, low: number, high: number, soft: number}} Stretch */

/** Values that a stretch is taken from, at most. */
const ENOUGH = 30000;

/** @param {Float32Array} sorted @param {number} share */
const quantile = (sorted, share) => sorted[Math.round(share * (sorted.length - 1))];

/**
 * The stretch that suits values: neutral for light, symmetric about what is neutral for differences and ratios.
 * @param {Float32Array} sample  any order
 * @param {Values} values
 * @param {{noise: number|null, plain: boolean}} o  plain: the night's light itself, not a filtered picture
 * @returns {Stretch}
 */
export function usual(sample, values, o) {
  // an odd step, so that no column is preferred
  const step = Math.ceil(sample.length / ENOUGH) | 1;
  const sorted = sample.filter((v, i) => i % step === 0 && Number.isFinite(v)).sort();
  if (sorted.length === 0) return { curve: "linear", low: 0, high: 1, soft: 0.1 };
  if (values === "share") return { curve: "linear", low: 0, high: 1, soft: 0.1 };
  if (values === "about_zero" || values === "about_one") {
    const middle = values === "about_one" ? 1 : 0;
    const sizes = sorted.map((v) => Math.abs(v - middle)).sort();
    const limit = quantile(sizes, 0.99) || quantile(sizes, 1) || 1;
    return { curve: "linear", low: middle - limit, high: middle + limit, soft: limit / 5 };
  }
  if (!o.plain) {
    const [low, high] = [quantile(sorted, 0.01), quantile(sorted, 0.99)];
    const room = Math.max(Math.abs(low), 1);
    return low < high ? { curve: "linear", low, high, soft: (high - low) / 10 } : { curve: "linear", low: low - room, high: low + room, soft: room / 5 };
  }
  const [darkest, middle, high] = [quantile(sorted, 0.005), quantile(sorted, 0.5), quantile(sorted, 0.99995)];
  const noise = o.noise && o.noise > 0 ? o.noise : (middle - darkest) / 2.5;
  let low = Math.max(darkest, -2.5 * noise);
  if (high <= low) low = darkest;
  if (high > low) return { curve: "asinh", low, high, soft: noise > 0 ? 4 * noise : (high - low) / 10 };
  const room = Math.abs(low) || 1;
  return { curve: "linear", low: low - room, high: low + room, soft: room };
}

/** @param {Stretch} s @returns {(value: number) => number} place, 0 to 1 (not clamped) */
export function placer(s) {
  if (s.curve === "linear") return (v) => (v - s.low) / (s.high - s.low);
  if (s.curve === "asinh") {
    const whole = Math.asinh((s.high - s.low) / s.soft);
    return (v) => Math.asinh((v - s.low) / s.soft) / whole;
  }
  const whole = Math.log1p((s.high - s.low) / s.soft);
  return (v) => (v <= s.low ? 0 : Math.log1p((v - s.low) / s.soft) / whole);
}

/** The value at a place. @param {Stretch} s @param {number} place */
export function valueAt(s, place) {
  const range = s.high - s.low;
  if (s.curve === "linear") return s.low + place * range;
  if (s.curve === "asinh") return s.low + s.soft * Math.sinh(place * Math.asinh(range / s.soft));
  return s.low + s.soft * Math.expm1(place * Math.log1p(range / s.soft));
}

/**
 * For the caption.
 * @param {Stretch} s
 * @param {MapName} map
 * @param {string} unit
 */
export function words(s, map, unit) {
  const soft = s.curve === "linear" ? "" : `, softened at ${figures(s.soft, 2)}`;
  const curve = { asinh: "asinh", linear: "linear", log: "logarithmic" }[s.curve];
  return `${curve} from ${figures(s.low, 3)} to ${figures(s.high, 3)}${unit ? ` ${unit}` : ""}${soft}; colours: ${MAP_WORDS[map]}`;
}

/** One stretch in colours, ready to paint with. */
export class Painter {
  /**
   * @param {Stretch} stretch
   * @param {MapName} map
   * @param {boolean} red
   */
  constructor(stretch, map, red) {
    this.stretch = stretch;
    this.colours = palette(map, red);
    /** Tells painted things of one painter from those of another. */
    this.key = `${stretch.curve} ${stretch.low} ${stretch.high} ${stretch.soft} ${map} ${red}`;
    /** Colour by the upper 16 bits of value − low: steps of 1/256 of the value, well under a colour's step on a curve.
     * @type {Uint32Array|null} */
    this.table = stretch.curve === "linear" ? null : this.#curve();
  }

  #curve() {
    const table = new Uint32Array(32768);
    const { stretch, colours } = this;
    const place = placer({ ...stretch, low: 0, high: stretch.high - stretch.low });
    const bits = new Uint32Array(1);
    const value = new Float32Array(bits.buffer);
    for (let i = 0; i < 32768; i += 1) {
      bits[0] = (i << 16) | 0x8000;
      const p = value[0] === value[0] ? place(value[0]) : 1;
      table[i] = colours[Math.round(Math.min(p, 1) * (LEVELS - 1))];
    }
    return table;
  }

  /**
   * Colours of a rectangle of values.
   * @param {Float32Array} values
   * @param {number} width
   * @param {Uint32Array} out  rows of `stride`
   * @param {number} start  where the first goes
   * @param {number} stride
   * @param {number} phase  column + row of the first in the whole picture, so that the hatching runs on over edges
   */
  paint(values, width, out, start, stride, phase) {
    const { low, high } = this.stretch;
    const { colours, table } = this;
    const height = values.length / width;
    const rowFloats = new Float32Array(width);
    const rowBits = new Uint32Array(rowFloats.buffer);
    const top = LEVELS - 1;
    const factor = top / (high - low);
    for (let y = 0; y < height; y += 1) {
      const from = y * width;
      const to = start + y * stride;
      if (table) {
        for (let x = 0; x < width; x += 1) rowFloats[x] = values[from + x] - low;
        for (let x = 0; x < width; x += 1) {
          const bits = rowBits[x];
          if ((bits & 0x7fffffff) > 0x7f800000) out[to + x] = colours[LEVELS + ((x + y + phase) % 12 < 4 ? 1 : 0)];
          else out[to + x] = bits >>> 31 ? colours[0] : table[bits >>> 16];
        }
      } else {
        for (let x = 0; x < width; x += 1) {
          const at = (values[from + x] - low) * factor;
          if (at !== at) out[to + x] = colours[LEVELS + ((x + y + phase) % 12 < 4 ? 1 : 0)];
          else out[to + x] = colours[at <= 0 ? 0 : at >= top ? top : (at + 0.5) | 0];
        }
      }
    }
  }
}
