/** A figure of the season with its values under the pointer, its table and its downloads. @module */

import { fill, h, newId, s } from "./dom.js";
import { drawing, figureDownloads, themed } from "./figure_file.js";
import { places } from "./figure_places.js";
import { spoken, table, walked } from "./tables.js";
import { theme } from "./theme.js";

/** @import { Column, Flat } from "./tables.js" */
/** @import { Where } from "./figure_file.js" */

/**
 * @template R
 * @param {object} o
 * @param {Where} o.where
 * @param {string} o.name
 * @param {string} o.title
 * @param {string} o.caption  of the table
 * @param {R[]} o.rows  one for each point
 * @param {Column<R>[]} o.columns
 * @param {Flat[]} o.flat  for the CSV file
 * @param {(row: R) => {x: number, y: number, panel?: number}|null} o.point
 */
export function plottedFigure(o) {
  const id = newId();
  const holder = h("div", { class: "figure-picture", tabindex: 0, role: "group", "aria-labelledby": id, "aria-describedby": `${id}v` });
  const said = h("output", { id: `${id}v`, class: "said small" });
  const ring = s("circle", { r: 8, class: "point-ring", visibility: "hidden" });
  /** @type {ReturnType<typeof table>|null} */
  let list = null;
  const folded = h("details", { ontoggle: () => {
    // a thousand rows are made only for who opens them
    if (list) return;
    list = table(o.caption, o.rows, o.columns, { pointed: (i) => point(i, false) });
    folded.append(list.root);
  } }, h("summary", null, `Values (${o.rows.length})`));
  const wait = "Point at a value, or use the arrow keys, to read it.";
  /** @type {({x: number, y: number}|null)[]} */
  let found = [];
  let now = -1;

  /** @param {number|null} i @param {boolean} scroll */
  function point(i, scroll) {
    now = i ?? -1;
    list?.mark(i, scroll);
    said.textContent = i === null ? wait : spoken(o.columns, o.rows[i], i);
    const place = i === null ? null : found[i];
    ring.setAttribute("visibility", place ? "visible" : "hidden");
    if (place) {
      ring.setAttribute("cx", String(place.x));
      ring.setAttribute("cy", String(place.y));
    }
  }

  /** @type {Map<string, string>} */
  const texts = new Map();
  let alive = true;
  async function show() {
    const name = themed(o.name);
    try {
      if (!texts.has(name)) {
        const response = await fetch(o.where(`${name}.svg`));
        if (!response.ok) throw new Error(String(response.status));
        texts.set(name, await response.text());
      }
      if (!alive || themed(o.name) !== name) return;
      const svg = drawing(texts.get(name) ?? "");
      if (!svg) throw new Error("not a drawing");
      svg.removeAttribute("width");
      svg.removeAttribute("height");
      const of = o.rows.map(o.point);
      const met = places(svg, of.map((p) => p ?? { x: NaN, y: NaN }));
      found = met.map((p, i) => (of[i] ? p : null));
      svg.append(ring);
      fill(holder, svg);
      said.textContent = wait;
    } catch {
      fill(holder, h("p", null, "This figure could not be read; its values stand in the table."));
      folded.open = true;
    }
  }

  holder.addEventListener("pointermove", (e) => {
    const svg = holder.querySelector("svg");
    const matrix = svg?.getScreenCTM();
    if (!svg || !matrix) return;
    const p = new DOMPoint(e.clientX, e.clientY).matrixTransform(matrix.inverse());
    let [best, least] = [-1, 30];
    found.forEach((place, i) => {
      const far = place ? Math.hypot(place.x - p.x, place.y - p.y) : Infinity;
      if (far < least) [best, least] = [i, far];
    });
    if (best !== now) point(best < 0 ? null : best, true);
  });
  holder.addEventListener("pointerleave", () => point(null, false));
  holder.addEventListener("keydown", (e) => {
    const next = walked(e.key, now, o.rows.length);
    if (next === null) return;
    e.preventDefault();
    point(next, true);
  });
  const stop = theme.listen(show);
  const root = h("figure", { class: "season-figure" },
    h("figcaption", null, h("h4", { id }, o.title), figureDownloads(o.where, o.name, o.title, () => o.flat)),
    holder, said, folded);
  show();
  return { root, stop() { alive = false; stop(); } };
}
