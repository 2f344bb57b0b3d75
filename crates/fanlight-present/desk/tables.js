/** Tables and the CSV files of the same values: one list of columns makes both. @module */

import { h, newId } from "./dom.js";

/** @import { Child } from "./dom.js" */

/** @typedef {string|number|null|undefined} Value */

/**
 * `values`: name with its unit, and value, of the column's fields in the CSV file.
 * @template R
 * @typedef {{head: string, cell: (row: R, i: number) => Child, values?: [string, (row: R, i: number) => Value][], words?: boolean}} Column
 */

/** @template R @param {Column<R>[]} columns @param {R[]} rows @returns {Value[][]} */
export function csvOf(columns, rows) {
  const fields = columns.flatMap((c) => c.values ?? []);
  return [fields.map(([name]) => name), ...rows.map((row, i) => fields.map(([, value]) => value(row, i)))];
}

/**
 * A table whose rows can be pointed at, and walked with the arrow keys.
 * @template R
 * @param {object} o
 * @param {string} o.caption
 * @param {Column<R>[]} o.columns
 * @param {R[]} o.rows
 * @param {(i: number|null) => void} [o.pointed]
 * @param {(i: number) => string|null} [o.rowClass]
 * @param {(i: number, key: string) => boolean} [o.key]  a key that was pressed on a row; true: it was understood
 */
export function table(o) {
  const id = newId();
  const heads = o.columns.map((c) => h("th", { scope: "col", class: c.words ? "words" : null }, c.head));
  const walk = Boolean(o.pointed);
  const lines = o.rows.map((row, i) => h("tr", { class: o.rowClass?.(i) || null, tabindex: walk ? (i ? -1 : 0) : null },
    ...o.columns.map((c, k) => (k ? h("td", { class: c.words ? "words" : null }, c.cell(row, i)) : h("th", { scope: "row" }, c.cell(row, i))))));
  const body = h("tbody", null, ...lines);
  const caption = h("caption", { id }, o.caption);
  const root = h("div", { class: "table-window", role: "region", tabindex: 0, "aria-labelledby": id }, h("table", null, caption, h("thead", null, h("tr", null, ...heads)), body));
  let marked = -1;
  const of = (/** @type {EventTarget|null} */ target) => (target instanceof Element ? lines.indexOf(/** @type {HTMLTableRowElement} */ (target.closest("tr"))) : -1);
  if (walk) {
    body.addEventListener("pointerover", (e) => { const i = of(e.target); if (i >= 0) o.pointed?.(i); });
    body.addEventListener("pointerleave", () => o.pointed?.(null));
    body.addEventListener("focusin", (e) => {
      const i = of(e.target);
      if (i < 0) return;
      lines.forEach((line, k) => { line.tabIndex = k === i ? 0 : -1; });
      o.pointed?.(i);
    });
    body.addEventListener("keydown", (e) => {
      if (!(e.target instanceof HTMLTableRowElement)) return;
      const i = lines.indexOf(e.target);
      const next = { ArrowDown: i + 1, ArrowUp: i - 1, Home: 0, End: lines.length - 1 }[e.key];
      if (next !== undefined && lines[next]) {
        e.preventDefault();
        lines[next].focus();
      } else if (o.key?.(i, e.key)) {
        e.preventDefault();
      }
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
