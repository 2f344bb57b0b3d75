/**
 * The rim of a picture of the sky: signs for north, east, the Sun and the orbit, outside the picture so that nothing covers
 * the coma; and bars of round lengths.
 * @module
 */

/** @import { View } from "./types.js" */
import { h, s } from "./dom.js";
import { km, plain, roundBelow } from "./format.js";
import { direction } from "./pose.js";

/** @typedef {{x: number, y: number, width: number, height: number}} Box  the picture inside its rim, CSS pixels */
/** @typedef {{rem: number, ink: string, sun: string, first: string, paper: string}} Inks */

const LETTER = 20;
const SPACING = 30;

/** Distance along the rim, clockwise from the top left corner. @param {number} x @param {number} y @param {number} w @param {number} k  half width, half height */
function along(x, y, w, k) {
  if (y <= -k + 1e-6) return x + w;
  if (x >= w - 1e-6) return 2 * w + y + k;
  if (y >= k - 1e-6) return 2 * w + 2 * k + w - x;
  return 4 * w + 2 * k + k - y;
}

/** @param {number} at @param {number} w @param {number} k @returns {[number, number]} */
function onRim(at, w, k) {
  const around = 4 * (w + k);
  const p = ((at % around) + around) % around;
  if (p < 2 * w) return [p - w, -k];
  if (p < 2 * w + 2 * k) return [w, p - 2 * w - k];
  if (p < 4 * w + 2 * k) return [w - (p - 2 * w - 2 * k), k];
  return [-w, k - (p - 4 * w - 2 * k)];
}

/** Moves places along the rim apart; those that are held stay. @param {{at: number, held: boolean}[]} places @param {number} around */
function part(places, around) {
  const gap = (/** @type {number} */ v) => ((v % around) + around) % around;
  for (let round = 0; round < 100; round += 1) {
    places.sort((a, b) => a.at - b.at);
    for (let i = 0; i < places.length; i += 1) {
      const [a, b] = [places[i], places[(i + 1) % places.length]];
      const lacking = SPACING - gap(b.at - a.at);
      if (a === b || lacking <= 1e-6 || (a.held && b.held)) continue;
      const first = a.held ? 0 : b.held ? 1 : 0.5;
      a.at = gap(a.at - lacking * first);
      b.at = gap(b.at + lacking * (1 - first));
    }
  }
}

/**
 * @param {CanvasRenderingContext2D} c  in CSS pixels
 * @param {Box} box
 * @param {View} view
 * @param {number} turned_deg
 * @param {Inks} inks
 */
export function drawRim(c, box, view, turned_deg, inks) {
  const middle = { x: box.x + box.width / 2, y: box.y + box.height / 2 };
  const [w, k] = [box.width / 2, box.height / 2];
  const all = [
    { sign: "N", pa: 0, colour: inks.ink, held: true },
    { sign: "E", pa: 90, colour: inks.ink, held: true },
    { sign: "sun", pa: view.sunward_pa_deg, colour: inks.sun, held: false },
    { sign: "antisun", pa: view.antisolar_pa_deg, colour: inks.sun, held: false },
    { sign: "−v", pa: view.negative_velocity_pa_deg, colour: inks.first, held: false },
  ];
  const marks = all.flatMap((m) => {
    if (m.pa === null || !Number.isFinite(m.pa)) return [];
    const [dx, dy] = direction(m.pa + turned_deg);
    const exit = Math.min(w / Math.abs(dx), k / Math.abs(dy));
    const outer = Math.min((w + LETTER) / Math.abs(dx), (k + LETTER) / Math.abs(dy));
    return [{ ...m, dx, dy, foot: { x: middle.x + dx * exit, y: middle.y + dy * exit }, at: along(dx * outer, dy * outer, w + LETTER, k + LETTER) }];
  });
  part(marks, 4 * (w + k + 2 * LETTER));
  c.save();
  c.font = `700 ${14 * inks.rem}px system-ui, sans-serif`;
  c.textAlign = "center";
  c.textBaseline = "middle";
  c.lineWidth = 1.6;
  for (const m of marks) {
    c.strokeStyle = c.fillStyle = m.colour;
    const at = (/** @type {number} */ out, /** @type {number} */ across) => /** @type {const} */ ([m.foot.x + m.dx * out - m.dy * across, m.foot.y + m.dy * out + m.dx * across]);
    c.beginPath();
    if (m.held) {
      c.moveTo(...at(2, 0));
      c.lineTo(...at(9, 0));
      c.stroke();
    } else {
      c.moveTo(...at(11, 0));
      c.lineTo(...at(2, 4.5));
      c.lineTo(...at(2, -4.5));
      c.fill();
    }
    const [x, y] = onRim(m.at, w + LETTER, k + LETTER);
    sign(c, m.sign, middle.x + x, middle.y + y);
  }
  c.restore();
}

/** @param {CanvasRenderingContext2D} c @param {string} what @param {number} x @param {number} y */
function sign(c, what, x, y) {
  if (what !== "sun" && what !== "antisun") {
    c.fillText(what, x, y + 0.5);
    return;
  }
  if (what === "antisun") {
    c.beginPath();
    c.moveTo(x - 11, y);
    c.lineTo(x - 5, y);
    c.stroke();
    x += 3.5;
  }
  c.beginPath();
  c.arc(x, y, 6, 0, 2 * Math.PI);
  c.stroke();
  c.beginPath();
  c.arc(x, y, 1.6, 0, 2 * Math.PI);
  c.fill();
}

/** What the rim's signs mean. */
export function legend() {
  const sun = (/** @type {boolean} */ away) => s("svg", { class: "sign sun", viewBox: away ? "-13 -8 22 16" : "-8 -8 16 16", width: away ? 22 : 16, height: 16, "aria-hidden": "true" },
    away && s("path", { d: "M-12 0h6" }), s("circle", { cx: away ? 2 : 0, r: 6 }), s("circle", { class: "dot", cx: away ? 2 : 0, r: 1.6 }));
  return h("p", { class: "legend" },
    h("span", null, sun(false), " toward the Sun"), h("span", null, sun(true), " away from the Sun"),
    h("span", null, h("b", { class: "first" }, "−v"), " against the orbital motion"), h("span", null, h("b", null, "N"), " north, ", h("b", null, "E"), " east"));
}

/** Bars for arcsec and for km at the comet. */
export class Bars {
  constructor() {
    this.root = s("svg", { class: "bars", role: "img", height: 44 });
    this.shown = "";
  }

  /** @param {number} arcsec_per_css_px @param {number|null} km_per_arcsec @param {number} room  CSS pixels */
  show(arcsec_per_css_px, km_per_arcsec, room) {
    const longest = 0.5 * room * arcsec_per_css_px;
    const length = roundBelow(longest);
    const bars = [{ px: length / arcsec_per_css_px, words: `${plain(length)}″` }];
    if (km_per_arcsec) {
      const long = roundBelow(longest * km_per_arcsec);
      bars.push({ px: long / km_per_arcsec / arcsec_per_css_px, words: km(long) });
    }
    const key = bars.map((b) => `${b.px.toFixed(1)} ${b.words}`).join();
    if (key === this.shown) return;
    this.shown = key;
    this.root.setAttribute("width", String(room));
    this.root.setAttribute("aria-label", `Scale: bars of ${bars.map((b) => b.words).join(" and ")}`);
    this.root.replaceChildren(...bars.flatMap((b, i) => {
      const y = 12 + 20 * i;
      return [s("path", { d: `M2 ${y - 5}v10M2 ${y}h${b.px}M${2 + b.px} ${y - 5}v10` }), s("text", { x: b.px + 10, y: y + 4.5 }, b.words)];
    }));
  }
}
