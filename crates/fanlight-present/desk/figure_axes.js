/** Where the axes of a figure lie, as the figure itself says it. @module */

/**
 * An axis: from values to places in units of the drawing, and back.
 * @typedef {{kind: string, at: (value: number) => number, back: (place: number) => number, holds: (value: number) => boolean}} Axis
 * @typedef {{left: number, top: number, width: number, height: number, x: Axis, y: Axis}} Panel
 */

/** From values to places, and back. @param {boolean} isLog @param {number[]} ends  values at both ends @param {number} from  place of the first @param {number} to */
export function scale(isLog, ends, from, to) {
  const along = (/** @type {number} */ v) => (isLog ? Math.log(v) : v);
  const [low, high] = ends.map(along);
  return {
    at: (/** @type {number} */ v) => from + ((along(v) - low) / (high - low)) * (to - from),
    back(/** @type {number} */ place) {
      const u = low + ((place - from) / (to - from)) * (high - low);
      return isLog ? Math.exp(u) : u;
    },
  };
}

/** @param {string} told  such as `log 1.5 300` @param {number} from  place of the first value @param {number} to @returns {Axis} */
function axis(told, from, to) {
  const [kind, ...ends] = told.split(" ");
  const { at, back } = scale(kind === "log", ends.map(Number), from, to);
  return { kind, at, back, holds: (v) => (at(v) - from) * (at(v) - to) <= 1e-6 };
}

/** @param {SVGSVGElement} svg @returns {Panel[]} */
export function panels(svg) {
  return [...svg.querySelectorAll("g[data-panel]")].map((g) => {
    const told = (/** @type {string} */ name) => g.getAttribute(name) ?? "";
    const [left, top, width, height] = told("data-panel").split(" ").map(Number);
    return { left, top, width, height, x: axis(told("data-x"), left, left + width), y: axis(told("data-y"), top + height, top) };
  });
}
