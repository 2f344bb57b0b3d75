/** Tables, and the CSV files of the same values. @module */

import { csv, save } from "./downloads.js";
import { h, newId } from "./dom.js";
import { date } from "./format.js";

/** @import { Child } from "./dom.js" */
/** @import { NightRecord } from "./types.js" */

/** One row of a CSV file: names with their units. @typedef {Record<string, string|number|boolean|null|undefined>} Flat */
/** @template R @typedef {[head: string, cell: (row: R, i: number) => Child, words?: "words"]} Column */

/** A row in one line. @template R @param {Column<R>[]} columns @param {R} row @param {number} [i] */
export const spoken = (columns, row, i = 0) => columns.filter(([, , words]) => !words).map(([head, cell]) => `${head}: ${cell(row, i)}`).join("; ");

/** @param {Flat[]} rows */
export function csvOf(rows) {
  const names = [...new Set(rows.flatMap(Object.keys))];
  return [names, ...rows.map((row) => names.map((name) => { const v = row[name]; return typeof v === "boolean" ? (v ? "yes" : "no") : v; }))];
}

/** @param {string} name  of the file, without ending @param {string} what  for those who hear the page @param {() => Flat[]} rows @param {string} [comment]  first line of the file */
export const csvButton = (name, what, rows, comment) => quiet("CSV", () => save(new Blob([comment ? `# ${comment}\n` : "", csv(csvOf(rows()))], { type: "text/csv" }), `${name}.csv`), { "aria-label": `Save as CSV: ${what}` });

/** What a file says of the night that it is of. @param {NightRecord} r */
export const nightLine = (r) => [r.object, `night of ${date(r.mid_utc)}`, r.setup.filter && `filter ${r.setup.filter}`, r.setup.telescope, r.setup.site, r.setup.simulated && "simulated frames", r.provenance.program].filter(Boolean).join(", ");

/** A button of little weight. @param {string} words @param {() => void} run @param {Record<string, unknown>} [more] */
export const quiet = (words, run, more) => h("button", { type: "button", class: "quiet", onclick: run, ...more }, words);

/**
 * A table whose rows can be pointed at, and walked with the arrow keys.
 * @template R
 * @param {string} caption
 * @param {R[]} rows
 * @param {Column<R>[]} columns
 * @param {object} [on]
 * @param {(i: number|null) => void} [on.pointed]
 * @param {(i: number) => string|null} [on.rowClass]
 * @param {(i: number) => void} [on.pressed]  Space or Enter on a row
 */
export function table(caption, rows, columns, on = {}) {
  const id = newId();
  const lines = rows.map((row, i) => h("tr", { class: on.rowClass?.(i), tabindex: on.pointed ? (i ? -1 : 0) : null },
    ...columns.map(([, cell, words], k) => (k ? h("td", { class: words }, cell(row, i)) : h("th", { scope: "row" }, cell(row, i))))));
  const body = h("tbody", null, ...lines);
  const root = h("div", { class: "table-window", role: "region", tabindex: 0, "aria-labelledby": id },
    h("table", null, h("caption", { id }, caption), h("thead", null, h("tr", null, ...columns.map(([head, , words]) => h("th", { scope: "col", class: words }, head)))), body));
  let marked = -1;
  const of = (/** @type {EventTarget|null} */ target) => (target instanceof Element ? lines.indexOf(/** @type {HTMLTableRowElement} */ (target.closest("tr"))) : -1);
  if (on.pointed) {
    body.addEventListener("pointerover", (e) => { const i = of(e.target); if (i >= 0) on.pointed?.(i); });
    body.addEventListener("pointerleave", () => on.pointed?.(null));
    body.addEventListener("focusin", (e) => {
      const i = of(e.target);
      lines.forEach((line, k) => { line.tabIndex = k === i ? 0 : -1; });
      on.pointed?.(i);
    });
    body.addEventListener("keydown", (e) => {
      if (!(e.target instanceof HTMLTableRowElement)) return;
      const i = lines.indexOf(e.target);
      const next = { ArrowDown: i + 1, ArrowUp: i - 1, Home: 0, End: lines.length - 1 }[e.key];
      if (next !== undefined) lines[next]?.focus();
      else if (on.pressed && (e.key === " " || e.key === "Enter")) on.pressed(i);
      else return;
      e.preventDefault();
    });
  }
  return {
    root,
    lines,
    /** @param {number|null} i @param {boolean} [scroll] */
    mark(i, scroll) {
      lines[marked]?.classList.remove("pointed");
      marked = i ?? -1;
      const line = lines[marked];
      if (!line) return;
      line.classList.add("pointed");
      if (!scroll) return;
      // only inside the table's own window: the page stays where it is
      const [top, bottom] = [line.offsetTop - 40, line.offsetTop + line.offsetHeight];
      if (top < root.scrollTop) root.scrollTop = Math.max(0, top);
      else if (bottom > root.scrollTop + root.clientHeight) root.scrollTop = bottom - root.clientHeight;
    },
  };
}

/** Steps with the arrow keys along a row of things; `null`: another key. @param {string} key @param {number} now @param {number} n */
export function walked(key, now, n) {
  const next = { ArrowRight: Math.min(now + 1, n - 1), ArrowLeft: now < 0 ? n - 1 : Math.max(now - 1, 0), Home: 0, End: n - 1 }[key];
  return n > 0 && next !== undefined ? next : null;
}
