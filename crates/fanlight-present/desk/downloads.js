/** Saving plots as SVG, PNG and CSV, each a file of its own that needs nothing of this page. @module */

import { h } from "./dom.js";
import { inks } from "./theme.js";

const STYLES = ["display", "fill", "stroke", "stroke-width", "stroke-dasharray", "stroke-linecap", "stroke-linejoin", "opacity", "fill-opacity", "font-family", "font-size", "font-weight", "text-anchor", "dominant-baseline"];

/** @param {Blob} blob @param {string} name */
export function save(blob, name) {
  const url = URL.createObjectURL(blob);
  const link = h("a", { href: url, download: name });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(url), 10000);
}

/** A drawing with its styles written into it. @param {SVGSVGElement} svg */
function standalone(svg) {
  const copy = /** @type {SVGSVGElement} */ (svg.cloneNode(true));
  const [from, to] = [[...svg.querySelectorAll("*")], [...copy.querySelectorAll("*")]];
  from.forEach((element, i) => {
    const style = getComputedStyle(element);
    for (const name of STYLES) {
      const value = style.getPropertyValue(name);
      if (value) to[i].setAttribute(name, value);
    }
    to[i].removeAttribute("class");
  });
  copy.querySelectorAll("[data-cursor]").forEach((e) => e.remove());
  const box = svg.viewBox.baseVal;
  copy.setAttribute("xmlns", "http://www.w3.org/2000/svg");
  copy.setAttribute("width", String(box.width));
  copy.setAttribute("height", String(box.height));
  copy.removeAttribute("tabindex");
  copy.removeAttribute("class");
  const paper = document.createElementNS("http://www.w3.org/2000/svg", "rect");
  for (const [k, v] of Object.entries({ x: box.x, y: box.y, width: box.width, height: box.height, fill: inks().paper })) paper.setAttribute(k, String(v));
  copy.prepend(paper);
  return new XMLSerializer().serializeToString(copy);
}

/** Draws an SVG at three times its size: about 300 dots per inch in print. @param {string} text @param {number} width @param {number} height @returns {Promise<Blob|null>} */
async function raster(text, width, height) {
  const url = URL.createObjectURL(new Blob([text], { type: "image/svg+xml" }));
  try {
    const image = new Image();
    image.src = url;
    await image.decode();
    const canvas = h("canvas", { width: 3 * width, height: 3 * height });
    canvas.getContext("2d")?.drawImage(image, 0, 0, canvas.width, canvas.height);
    return await new Promise((done) => canvas.toBlob(done, "image/png"));
  } finally {
    URL.revokeObjectURL(url);
  }
}

/** @param {(string|number|null|undefined)[][]} rows */
export function csv(rows) {
  const cell = (/** @type {string|number|null|undefined} */ v) => {
    if (v === null || v === undefined || (typeof v === "number" && !Number.isFinite(v))) return "";
    return /[",\n]/.test(String(v)) ? `"${String(v).replaceAll('"', '""')}"` : String(v);
  };
  return `${rows.map((row) => row.map(cell).join(",")).join("\n")}\n`;
}

/**
 * Three buttons.
 * @param {string} name  file name without ending
 * @param {string} what  of what, for those who hear the page
 * @param {() => SVGSVGElement} drawing
 * @param {() => (string|number|null|undefined)[][]} rows  the first one names the columns, units included
 */
export function downloads(name, what, drawing, rows) {
  const button = (/** @type {string} */ kind, /** @type {() => void} */ run) => h("button", { type: "button", class: "quiet", "aria-label": `Save ${what} as ${kind}`, onclick: run }, kind);
  return h("div", { class: "downloads" },
    button("SVG", () => save(new Blob([standalone(drawing())], { type: "image/svg+xml" }), `${name}.svg`)),
    button("PNG", async () => {
      const { width, height } = drawing().viewBox.baseVal;
      const blob = await raster(standalone(drawing()), width, height);
      if (blob) save(blob, `${name}.png`);
    }),
    button("CSV", () => save(new Blob([csv(rows())], { type: "text/csv" }), `${name}.csv`)));
}
