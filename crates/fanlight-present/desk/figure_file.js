/** Figures that the server holds or draws, in the colours of the page, and their downloads. @module */

import { h } from "./dom.js";
import { csvButton } from "./tables.js";
import { seen, theme } from "./theme.js";

/** @import { Flat } from "./tables.js" */

/** Address of a file; it changes when the file was made anew, so that no earlier one is shown. @typedef {(file: string) => string} Where */

/** The figure's version for the theme. @param {string} name */
export const themed = (name) => (seen() === "light" ? name : `${name}-dark`);

/** Only what a drawing needs comes in from a file. @param {string} text @returns {SVGSVGElement|null} */
export function drawing(text) {
  /** @type {Element} */
  const root = new DOMParser().parseFromString(text, "image/svg+xml").documentElement;
  if (!(root instanceof SVGSVGElement)) return null;
  root.querySelectorAll("script, style, foreignObject, a, use, animate, set").forEach((e) => e.remove());
  return document.importNode(root, true);
}

/**
 * Links and a button that save a figure as SVG, PNG and CSV.
 * @param {Where} where
 * @param {string} name
 * @param {string} title
 * @param {() => Flat[]} rows
 * @param {{file?: string, comment?: string}} [o]  `file`: what the saved files are called, where not as the figure; `comment`: first line of the CSV file
 */
export function figureDownloads(where, name, title, rows, { file = name, comment } = {}) {
  const link = (/** @type {string} */ kind) => {
    const a = h("a", { class: "button quiet", "aria-label": `Save as ${kind}: ${title}` }, kind);
    const ending = kind.toLowerCase();
    const point = () => { a.download = `${themed(file)}.${ending}`; a.href = where(`${themed(name)}.${ending}`); };
    point();
    // the theme may change until it is used
    for (const event of ["pointerenter", "focus", "click"]) a.addEventListener(event, point);
    return a;
  };
  return h("div", { class: "downloads" }, link("SVG"), link("PNG"), csvButton(file, title, rows, comment));
}

/**
 * A picture of a file that follows the theme.
 * @param {Where} where @param {string} name @param {string} alt
 * @param {{lazy?: boolean}} [o]
 */
export function picture(where, name, alt, o = {}) {
  const image = h("img", { alt, loading: o.lazy ? "lazy" : null, decoding: "async" });
  const show = () => { image.src = where(`${themed(name)}.svg`); };
  show();
  image.addEventListener("error", () => { image.src = where(`${name}.svg`); }, { once: true });
  const stop = theme.listen(show);
  return { root: h("div", { class: "figure-picture" }, image), image, stop };
}
