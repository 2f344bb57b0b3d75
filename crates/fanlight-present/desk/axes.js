/** Axes of the unrolled pictures, made as SVG. @module */

import { s } from "./dom.js";
import { scale as between } from "./figure_axes.js";
import { plain, roundBelow } from "./format.js";

const [LEFT, RIGHT, TOP, BOTTOM] = [62, 20, 12, 44];

/** @typedef {{label: string, log?: boolean, min: number, max: number, ticks?: [number, string][]}} Axis */

/** From values to places. @param {Axis} axis @param {number} from @param {number} to */
export function scale(axis, from, to) {
  const { min, max, log } = axis;
  return { ...between(log === true, [min, max], from, to), min, max };
}

/** Round values with room for their labels. @param {Axis} axis @param {ReturnType<typeof scale>} sc @param {number} room  least distance @returns {[number, string][]} */
function ticks(axis, sc, room) {
  if (axis.ticks) return axis.ticks.filter(([v]) => v >= sc.min && v <= sc.max);
  if (axis.log) {
    const decades = Math.floor(Math.log10(sc.max)) - Math.ceil(Math.log10(sc.min)) + 1;
    const steps = decades >= 4 ? [1] : decades >= 2 ? [1, 3] : [1, 2, 3, 5, 7];
    /** @type {[number, string][]} */
    const out = [];
    for (let p = Math.floor(Math.log10(sc.min)); p <= Math.ceil(Math.log10(sc.max)); p += 1) {
      for (const m of steps) {
        const v = m * 10 ** p;
        if (v < sc.min || v > sc.max || (out.length && Math.abs(sc.at(v) - sc.at(out[out.length - 1][0])) < room)) continue;
        out.push([v, plain(Number(v.toPrecision(2)))]);
      }
    }
    return out;
  }
  const span = Math.abs(sc.at(sc.max) - sc.at(sc.min));
  const least = ((sc.max - sc.min) * room) / span;
  let step = roundBelow(least);
  while (step < least) step = roundBelow(step * 2.6);
  /** @type {[number, string][]} */
  const out = [];
  for (let k = Math.ceil(sc.min / step - 1e-9); k * step <= sc.max + 1e-9 * step; k += 1) out.push([k * step, plain(Number((k * step).toPrecision(6)))]);
  return out;
}

/** Axes with ticks and labels. @param {Axis} x @param {Axis} y @param {ReturnType<typeof scale>} sx @param {ReturnType<typeof scale>} sy @param {number} width @param {number} height */
export function axes(x, y, sx, sy, width, height) {
  const [bottom, right] = [height - BOTTOM, width - RIGHT];
  const g = s("g", { class: "axes" }, s("path", { class: "frame", d: `M${LEFT} ${TOP}V${bottom}H${right}V${TOP}z` }));
  for (const [v, words] of ticks(x, sx, 46)) g.append(s("path", { class: "grid", d: `M${sx.at(v)} ${bottom}V${TOP}` }), s("text", { x: sx.at(v), y: bottom + 16, class: "middle" }, words));
  for (const [v, words] of ticks(y, sy, 26)) g.append(s("path", { class: "grid", d: `M${LEFT} ${sy.at(v)}H${right}` }), s("text", { x: LEFT - 6, y: sy.at(v) + 4, class: "end" }, words));
  g.append(s("text", { x: (LEFT + right) / 2, y: height - 8, class: "middle label" }, x.label), s("text", { transform: `translate(13 ${(TOP + bottom) / 2}) rotate(-90)`, class: "middle label" }, y.label));
  return g;
}

export const MARGINS = { LEFT, RIGHT, TOP, BOTTOM };
