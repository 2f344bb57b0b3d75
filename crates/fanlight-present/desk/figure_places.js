/**
 * Where the values of a record stand in a figure that was drawn of it. The figure says what its axes are, and what it draws is tried
 * on its own marks: what does not meet a mark has no place, and nothing is shown at a wrong one.
 * @module
 */

import { panels } from "./figure_axes.js";

/** @typedef {{x: number, y: number}} Place */

/** A value's place may be off its mark by so much, in units of the figure. */
const OFF = 1.2;

const at = (/** @type {Element} */ e, /** @type {string} */ name) => Number(e.getAttribute(name));

/** Middles of the marks of points. @param {SVGSVGElement} svg @returns {Place[]} */
function marks(svg) {
  const discs = [...svg.querySelectorAll("circle")].map((c) => ({ x: at(c, "cx"), y: at(c, "cy") }));
  const shapes = [...svg.querySelectorAll("path")].flatMap((p) => {
    const d = p.getAttribute("d") ?? "";
    if (!/z\s*$/i.test(d)) return [];
    const n = (d.match(/-?\d+(\.\d+)?/g) ?? []).map(Number);
    const [xs, ys] = [n.filter((_, i) => i % 2 === 0), n.filter((_, i) => i % 2 === 1)];
    const mean = (/** @type {number[]} */ v) => v.reduce((a, b) => a + b, 0) / v.length;
    const small = Math.max(...xs) - Math.min(...xs) < 16 && Math.max(...ys) - Math.min(...ys) < 16;
    return small ? [{ x: mean(xs), y: mean(ys) }] : [];
  });
  const crosses = [...svg.querySelectorAll("line")].flatMap((l) => {
    const [dx, dy] = [at(l, "x2") - at(l, "x1"), at(l, "y2") - at(l, "y1")];
    return dx && dy && Math.hypot(dx, dy) < 12 ? [{ x: at(l, "x1") + dx / 2, y: at(l, "y1") + dy / 2 }] : [];
  });
  return [...discs, ...shapes, ...crosses];
}

/**
 * Places of points; `null` where the figure has no mark.
 * @param {SVGSVGElement} svg
 * @param {{x: number, y: number, panel?: number}[]} points  `panel`: which one from the left; any, where it is not said
 * @returns {(Place|null)[]}
 */
export function places(svg, points) {
  const all = panels(svg);
  const drawn = marks(svg);
  return points.map((point) => {
    for (const { x, y, top } of point.panel === undefined ? all : all.slice(point.panel, point.panel + 1)) {
      const place = { x: x.at(point.x), y: y.at(point.y) };
      if (y.kind === "degrees") {
        const turn = Math.abs(y.at(360) - y.at(0));
        place.y -= turn * Math.floor((place.y - top) / turn);
      }
      const near = drawn.find((m) => Math.hypot(m.x - place.x, m.y - place.y) < OFF);
      if (near) return { ...near };
    }
    return null;
  });
}
