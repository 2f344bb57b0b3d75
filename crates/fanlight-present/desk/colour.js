/**
 * The report's colour maps, laid out in OKLab so that equal steps look equal (B. Ottosson 2020), as tables of 256 colours.
 * For red light each map keeps its lightness and gives up its hues.
 * @module
 */

/** @typedef {"dusk"|"grey"|"inverted_grey"|"blue_amber"} MapName */

/** @type {Record<MapName, string>} */
export const MAP_WORDS = {
  dusk: "dusk (blue to warm white)",
  grey: "grey",
  inverted_grey: "inverted grey",
  blue_amber: "blue to amber, neutral in the middle",
};

/** @type {Record<MapName, number[][]>} */
const POINTS = {
  grey: [[0.12, 0, 0], [1, 0, 0]],
  inverted_grey: [[1, 0, 0], [0.12, 0, 0]],
  dusk: [[0.13, 0, -0.035], [0.28, -0.008, -0.095], [0.44, -0.02, -0.085], [0.58, -0.012, -0.02], [0.72, 0.012, 0.05], [0.86, 0.012, 0.085], [0.98, 0, 0.035]],
  blue_amber: [[0.26, -0.01, -0.105], [0.6, 0, 0], [0.94, 0, 0.105]],
};

/** Dark and light bands over what is missing. */
const HATCH = [[92, 92, 92], [150, 150, 150]];
/** Colours of a map in use; two more draw the hatching. */
export const LEVELS = 254;

/**
 * Catmull–Rom through evenly spaced points, the ends doubled.
 * @param {number[][]} points
 * @param {number} t
 */
function onPath(points, t) {
  const last = points.length - 1;
  const i = Math.min(Math.floor(t * last), last - 1);
  const u = t * last - i;
  const p = (/** @type {number} */ k) => points[Math.min(Math.max(i + k, 0), last)];
  return [0, 1, 2].map((c) => {
    const [a, b, d, e] = [p(-1)[c], p(0)[c], p(1)[c], p(2)[c]];
    return b + 0.5 * u * (d - a + u * (2 * a - 5 * b + 4 * d - e + u * (3 * (b - d) + e - a)));
  });
}

/** @param {number[]} lab */
function srgb([lightness, a, b]) {
  const cube = (/** @type {number} */ m, /** @type {number} */ n) => (lightness + m * a + n * b) ** 3;
  const l = cube(0.3963377774, 0.2158037573);
  const m = cube(-0.1055613458, -0.0638541728);
  const s = cube(-0.0894841775, -1.291485548);
  return [
    4.0767416621 * l - 3.3077115913 * m + 0.2309699292 * s,
    -1.2684380046 * l + 2.6097574011 * m - 0.3413193965 * s,
    -0.0041960863 * l - 0.7034186147 * m + 1.707614701 * s,
  ].map(coded);
}

/** @param {number} linear */
function coded(linear) {
  const c = Math.min(Math.max(linear, 0), 1);
  return Math.round(255 * (c <= 0.0031308 ? 12.92 * c : 1.055 * c ** (1 / 2.4) - 0.055));
}

/** Colours at equal distances along the path. @param {number[][]} points */
function along(points) {
  const fine = 4096;
  const path = Array.from({ length: fine + 1 }, (_, i) => onPath(points, i / fine));
  const length = [0];
  for (let i = 1; i <= fine; i += 1) {
    length.push(length[i - 1] + Math.hypot(...[0, 1, 2].map((c) => path[i][c] - path[i - 1][c])));
  }
  let at = 0;
  return Array.from({ length: 256 }, (_, k) => {
    const wanted = (length[fine] * k) / 255;
    while (at + 1 < fine && length[at + 1] < wanted) at += 1;
    return srgb(path[k === 255 ? fine : at]);
  });
}

/** Only red, and never bright: as much of it as the colour is light to the eye. @param {number[]} rgb */
function reddened([r, g, b]) {
  const linear = [r, g, b].map((c) => (c / 255 <= 0.04045 ? c / 255 / 12.92 : ((c / 255 + 0.055) / 1.055) ** 2.4));
  const luminance = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2];
  return [Math.round(205 * Math.max(Math.cbrt(luminance) - 0.1, 0) / 0.9), 0, 0];
}

/** @type {Map<string, Uint32Array>} */
const kept = new Map();

/**
 * The palette as pixels (ABGR words): 254 colours, then the two of the hatching.
 * @param {MapName} name
 * @param {boolean} red
 */
export function palette(name, red) {
  const key = `${name} ${red}`;
  const known = kept.get(key);
  if (known) return known;
  const table = along(POINTS[name]);
  const colours = Array.from({ length: LEVELS }, (_, k) => table[Math.floor((k * 255 + (LEVELS - 1) / 2) / (LEVELS - 1))]).concat(HATCH);
  const words = Uint32Array.from(colours, (c) => {
    const [r, g, b] = red ? reddened(c) : c;
    return ((255 << 24) | (b << 16) | (g << 8) | r) >>> 0;
  });
  kept.set(key, words);
  return words;
}

/** As a style sheet writes it. @param {number} word */
export const css = (word) => `rgb(${word & 255} ${(word >> 8) & 255} ${(word >> 16) & 255})`;
