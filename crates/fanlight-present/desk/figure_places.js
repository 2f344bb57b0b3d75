/**
 * Where the values of a record stand in a figure that was drawn of it. The scales are read off the figure's own axes and then
 * tried on the figure's own marks: what does not meet a mark has no place, and nothing is shown at a wrong one.
 * @module
 */

/** @typedef {{x: number, y: number}} Place */
/** @typedef {"number"|"log"|"date"|"angle"} Kind */

/** A value's place may be off its mark by so much, in units of the figure. */
const OFF = 1.2;
const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

const at = (/** @type {Element} */ e, /** @type {string} */ name) => Number(e.getAttribute(name));

/** Days since 1970. @param {string} utc */
export const days = (utc) => Date.parse(utc) / 86400000;

/** @param {string} text */
const numeric = (text) => Number(text.replace(/[\s\u202f\u2009]/g, "").replace("−", "-"));

/** Boxes that the axes span: a line down, then one to the right from its foot. @param {SVGSVGElement} svg */
function boxes(svg) {
  const lines = [...svg.querySelectorAll("line")].map((l) => ({ x1: at(l, "x1"), x2: at(l, "x2"), y1: at(l, "y1"), y2: at(l, "y2") }));
  return lines.flatMap((a, i) => {
    const b = lines[i + 1];
    const is = b && a.x1 === a.x2 && b.y1 === b.y2 && b.x1 === a.x1 && b.y1 === a.y2 && b.x2 > b.x1 + 20 && a.y2 > a.y1 + 20;
    return is ? [{ left: a.x1, right: b.x2, top: a.y1, bottom: a.y2 }] : [];
  });
}

/** Dates of ticks such as `23 Mar`, `Mar`, `2032`, from a year on. @param {string[]} words @param {number} year */
function dates(words, year) {
  let last = -Infinity;
  return words.map((text) => {
    const m = /^(?:(\d{1,2}) )?([A-Z][a-z]{2})$/.exec(text);
    const of = (/** @type {number} */ y) => (m ? Date.UTC(y, MONTHS.indexOf(m[2]), Number(m[1] ?? 1)) : Date.UTC(Number(text), 0, 1)) / 86400000;
    if (m && of(year) <= last) year += 1;
    if (!m && /^\d{4}$/.test(text)) year = Number(text);
    last = of(year);
    return last;
  });
}

/** Least squares. @param {number[]} values @param {number[]} places */
function line(values, places) {
  const n = values.length;
  const [mv, mp] = [values.reduce((a, b) => a + b, 0) / n, places.reduce((a, b) => a + b, 0) / n];
  const vv = values.reduce((sum, v) => sum + (v - mv) ** 2, 0);
  const slope = values.reduce((sum, v, i) => sum + (v - mv) * (places[i] - mp), 0) / vv;
  const worst = Math.max(...values.map((v, i) => Math.abs(mp + slope * (v - mv) - places[i])));
  return n >= 2 && vv > 0 && worst < OFF ? { slope, of: (/** @type {number} */ v) => mp + slope * (v - mv) } : null;
}

/** @param {{words: string, place: number}[]} ticks @param {Kind} kind @param {number} year */
function scaleOf(ticks, kind, year) {
  ticks.sort((a, b) => a.place - b.place);
  const places = ticks.map((t) => t.place);
  if (kind === "date") return line(dates(ticks.map((t) => t.words), year), places);
  let values = ticks.map((t) => numeric(t.words));
  if (values.some((v) => !Number.isFinite(v) || (kind === "log" && v <= 0))) return null;
  if (kind === "log") {
    const found = line(values.map(Math.log), places);
    return found && { ...found, of: (/** @type {number} */ v) => found.of(Math.log(v)) };
  }
  if (kind === "angle") {
    // downward on the sheet the angles fall; they run on through north
    values = values.reduce((/** @type {number[]} */ out, v, i) => [...out, i ? v - 360 * Math.ceil((v - out[i - 1]) / 360 + 1e-9) : v], []);
    if (values.length > 1 && values[0] - values[1] <= 0) return null;
  }
  return line(values, places);
}

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
 * @param {Kind} xKind
 * @param {Kind} yKind
 * @param {number} year  of the first date
 * @returns {(Place|null)[]}
 */
export function places(svg, points, xKind, yKind, year) {
  const texts = [...svg.querySelectorAll("text")].filter((t) => !t.hasAttribute("transform"));
  const panels = boxes(svg).map((box) => {
    const below = texts.filter((t) => t.getAttribute("text-anchor") === "middle" && at(t, "y") > box.bottom && at(t, "y") < box.bottom + 24 && at(t, "x") >= box.left - 1 && at(t, "x") <= box.right + 1);
    const beside = texts.filter((t) => t.getAttribute("text-anchor") === "end" && at(t, "x") < box.left && at(t, "x") > box.left - 16);
    // numbers stand 4.5 under the middle of their tick
    const x = scaleOf(below.map((t) => ({ words: t.textContent ?? "", place: at(t, "x") })), xKind, year);
    const y = scaleOf(beside.map((t) => ({ words: t.textContent ?? "", place: at(t, "y") - 4.5 })), yKind, year);
    return { box, x, y };
  });
  const drawn = marks(svg);
  const shared = panels.find((p) => p.y)?.y;
  return points.map((point) => {
    for (const panel of point.panel === undefined ? panels : panels.slice(point.panel, point.panel + 1)) {
      const y = panel.y ?? shared;
      if (!panel.x || !y) continue;
      const place = { x: panel.x.of(point.x), y: y.of(point.y) };
      if (yKind === "angle") {
        const turn = Math.abs(360 * y.slope);
        place.y -= turn * Math.floor((place.y - panel.box.top) / turn);
      }
      const near = drawn.find((m) => Math.hypot(m.x - place.x, m.y - place.y) < OFF);
      if (near) return { ...near };
    }
    return null;
  });
}
