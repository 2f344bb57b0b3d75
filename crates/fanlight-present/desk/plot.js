/** Small plots with axes, error bars and one cursor, made as SVG. @module */

import { downloads } from "./downloads.js";
import { fill, h, newId, s } from "./dom.js";
import { figures, known, plain, roundBelow } from "./format.js";

const [LEFT, RIGHT, TOP, BOTTOM] = [62, 20, 12, 44];

/**
 * @typedef {{label: string, log?: boolean, down?: boolean, min?: number, max?: number, unit?: string, ticks?: [number, string][], say?: (v: number) => string}} Axis  down: small values on top, as magnitudes
 * @typedef {{x: number, y: number, err?: number|null, say?: string}} Point
 * @typedef {{name: string, points: Point[], mark?: "dot"|"square"|"ring"|"none", line?: boolean, dashed?: boolean, colour?: "first"|"second"|"sun"|"muted"}} Series
 * @typedef {object} PlotOptions
 * @property {string} title
 * @property {string} name  of its files
 * @property {Axis} x
 * @property {Axis} y
 * @property {Series[]} series
 * @property {(string|number|null|undefined)[][]} rows  for the CSV file
 * @property {string} [alt]
 * @property {number} [width]
 * @property {number} [height]
 * @property {(x: number) => void} [hovered]
 */

/** From values to places. @param {Axis} axis @param {number[]} values @param {number} from @param {number} to */
export function scale(axis, values, from, to) {
  const good = values.filter((v) => Number.isFinite(v) && (!axis.log || v > 0));
  let min = axis.min ?? Math.min(...good);
  let max = axis.max ?? Math.max(...good);
  if (!(Number.isFinite(min) && Number.isFinite(max))) [min, max] = axis.log ? [1, 10] : [0, 1];
  if (min === max) [min, max] = axis.log ? [min / 2, max * 2] : [min - 1, max + 1];
  const f = axis.log ? Math.log10 : (/** @type {number} */ v) => v;
  const room = axis.min === undefined && axis.max === undefined ? 0.05 * (f(max) - f(min)) : 0;
  let [low, high] = [f(min) - room, f(max) + room];
  if (axis.down) [low, high] = [high, low];
  return {
    at: (/** @type {number} */ v) => from + ((f(v) - low) / (high - low)) * (to - from),
    back: (/** @type {number} */ p) => { const u = low + ((p - from) / (to - from)) * (high - low); return axis.log ? 10 ** u : u; },
    min: axis.log ? 10 ** Math.min(low, high) : Math.min(low, high),
    max: axis.log ? 10 ** Math.max(low, high) : Math.max(low, high),
  };
}

/** Round values with room for their labels. @param {Axis} axis @param {ReturnType<typeof scale>} sc @param {number} room  least distance @returns {[number, string][]} */
export function ticks(axis, sc, room) {
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

/** Axes with ticks and labels. @param {PlotOptions["x"]} x @param {PlotOptions["y"]} y @param {ReturnType<typeof scale>} sx @param {ReturnType<typeof scale>} sy @param {number} width @param {number} height */
export function axes(x, y, sx, sy, width, height) {
  const [bottom, right] = [height - BOTTOM, width - RIGHT];
  const g = s("g", { class: "axes" }, s("path", { class: "frame", d: `M${LEFT} ${TOP}V${bottom}H${right}V${TOP}z` }));
  for (const [v, words] of ticks(x, sx, 46)) g.append(s("path", { class: "grid", d: `M${sx.at(v)} ${bottom}V${TOP}` }), s("text", { x: sx.at(v), y: bottom + 16, class: "middle" }, words));
  for (const [v, words] of ticks(y, sy, 26)) g.append(s("path", { class: "grid", d: `M${LEFT} ${sy.at(v)}H${right}` }), s("text", { x: LEFT - 6, y: sy.at(v) + 4, class: "end" }, words));
  g.append(s("text", { x: (LEFT + right) / 2, y: height - 8, class: "middle label" }, x.label), s("text", { transform: `translate(13 ${(TOP + bottom) / 2}) rotate(-90)`, class: "middle label" }, y.label));
  return g;
}

export const MARGINS = { LEFT, RIGHT, TOP, BOTTOM };

/** @param {PlotOptions} o */
export function plot(o) {
  const [width, height] = [o.width ?? 430, o.height ?? 300];
  const all = o.series.flatMap((series) => series.points);
  const spread = all.flatMap((p) => [p.y, ...(known(p.err) && (!o.y.log || p.y > p.err) ? [p.y - p.err, p.y + p.err] : [])]);
  const sx = scale(o.x, all.map((p) => p.x), LEFT, width - RIGHT);
  const sy = scale(o.y, spread, height - BOTTOM, TOP);
  const shapes = o.series.map((series) => drawSeries(series, sx, sy, o.y.log ?? false));
  const cursor = s("path", { class: "cursor", "data-cursor": "" });
  const id = newId();
  const svg = s("svg", { class: "plot", viewBox: `0 0 ${width} ${height}`, tabindex: 0, role: "img", "aria-labelledby": id, "aria-describedby": `${id}v` },
    axes(o.x, o.y, sx, sy, width, height), ...shapes, cursor);
  const readout = h("output", { class: "small", id: `${id}v`, "aria-live": "polite" });
  const named = o.series.length > 1 ? h("p", { class: "small key" }, ...o.series.map((series) => h("span", { class: series.colour ?? "first" }, sample(series), ` ${series.name} `))) : null;
  const root = h("figure", { class: "plot" }, h("figcaption", null, h("h3", { id }, o.title), downloads(o.name, o.title, () => svg, () => o.rows)), svg, named, readout);
  if (o.alt) svg.append(s("title", null, o.alt));
  const points = o.series.flatMap((series) => series.points.map((p) => ({ p, series }))).filter(({ p }) => known(p.x) && known(p.y)).sort((a, b) => a.p.x - b.p.x);
  let at = -1;
  const say = (/** @type {number} */ i) => {
    const { p, series } = points[i];
    at = i;
    readout.textContent = p.say ?? `${o.series.length > 1 ? `${series.name}: ` : ""}${o.x.say?.(p.x) ?? `${figures(p.x, 4)}${o.x.unit ?? ""}`}, ${o.y.say?.(p.y) ?? figures(p.y, 4)}${known(p.err) ? ` ± ${figures(p.err, 2)}` : ""}${o.y.unit ?? ""}`;
  };
  const nearest = (/** @type {number} */ px) => points.reduce((best, { p }, i) => (best < 0 || Math.abs(sx.at(p.x) - px) < Math.abs(sx.at(points[best].p.x) - px) ? i : best), -1);
  /** Shows a cursor that another part of the page moved. @param {number|null} x */
  const setCursor = (x) => {
    if (x === null || !known(x) || (o.x.log && x <= 0)) {
      cursor.setAttribute("d", "");
      return;
    }
    const px = sx.at(x);
    cursor.setAttribute("d", px >= LEFT && px <= width - RIGHT ? `M${px.toFixed(1)} ${TOP}V${height - BOTTOM}` : "");
    const i = nearest(px);
    if (i >= 0 && i !== at) say(i);
  };
  svg.addEventListener("pointermove", (e) => {
    const r = svg.getBoundingClientRect();
    const px = ((e.clientX - r.left) / r.width) * width;
    if (px < LEFT || px > width - RIGHT) return;
    setCursor(sx.back(px));
    o.hovered?.(sx.back(px));
  });
  svg.addEventListener("keydown", (e) => {
    const step = { ArrowLeft: -1, ArrowRight: 1 }[e.key];
    if (!step || points.length === 0) return;
    e.preventDefault();
    say(Math.min(Math.max((at < 0 ? (step > 0 ? -1 : points.length) : at) + step, 0), points.length - 1));
    const { x } = points[at].p;
    cursor.setAttribute("d", `M${sx.at(x).toFixed(1)} ${TOP}V${height - BOTTOM}`);
    o.hovered?.(x);
  });
  return { root, svg, setCursor };
}

/** @param {Series} series @param {ReturnType<typeof scale>} sx @param {ReturnType<typeof scale>} sy @param {boolean} log */
function drawSeries(series, sx, sy, log) {
  const g = s("g", { class: `series ${series.colour ?? "first"}` });
  const good = series.points.filter((p) => known(p.x) && known(p.y) && (!log || p.y > 0));
  if (series.line !== false) g.append(s("path", { class: series.dashed ? "line dashed" : "line", d: good.map((p, i) => `${i ? "L" : "M"}${sx.at(p.x).toFixed(1)} ${sy.at(p.y).toFixed(1)}`).join("") }));
  for (const p of good) {
    const [x, y] = [sx.at(p.x), sy.at(p.y)];
    if (known(p.err) && p.err > 0) {
      const low = log && p.y - p.err <= 0 ? sy.at(sy.min) : sy.at(p.y - p.err);
      g.append(s("path", { class: "error", d: `M${x.toFixed(1)} ${low.toFixed(1)}V${sy.at(p.y + p.err).toFixed(1)}` }));
    }
    const mark = shape(series.mark ?? "dot", x, y);
    if (mark) g.append(mark);
  }
  return g;
}

/** @param {string} mark @param {number} x @param {number} y */
function shape(mark, x, y) {
  if (mark === "dot") return s("circle", { class: "mark", cx: x.toFixed(1), cy: y.toFixed(1), r: 2.6 });
  if (mark === "ring") return s("circle", { class: "mark hollow", cx: x.toFixed(1), cy: y.toFixed(1), r: 3.2 });
  if (mark === "square") return s("rect", { class: "mark", x: (x - 2.6).toFixed(1), y: (y - 2.6).toFixed(1), width: 5.2, height: 5.2 });
  return null;
}

/** @param {Series} series */
function sample(series) {
  return s("svg", { viewBox: "0 0 26 10", width: 26, height: 10, "aria-hidden": "true" }, s("g", { class: `series ${series.colour ?? "first"}` },
    series.line !== false && s("path", { class: series.dashed ? "line dashed" : "line", d: "M1 5h24" }), shape(series.mark ?? "dot", 13, 5)));
}

/** Puts another plot in place of one. @param {Element} place @param {PlotOptions} o */
export function replot(place, o) {
  const made = plot(o);
  fill(place, made.root);
  return made;
}
