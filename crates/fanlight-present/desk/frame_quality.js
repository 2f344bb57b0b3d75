/** The night's frames: what is measured of each, as small plots over one time axis with one cursor, and as a table. @module */

import { downloads } from "./downloads.js";
import { fill, h, newId, s } from "./dom.js";
import { fixed, known, UNMEASURED, withError } from "./format.js";
import { scale, ticks } from "./plot.js";
import { csvOf, walked } from "./tables.js";

/** @import { Maybe } from "./season_types.js" */
/** @import { Column, Flat } from "./tables.js" */

/**
 * @typedef {{file: string, mid_utc: string|null, used: boolean, rejected_because: string|null, fwhm_arcsec: Maybe, elongation: Maybe, zero_point_mag: Maybe, zero_point_err_mag: Maybe,
 *   comet_o_minus_c_arcsec?: [number, number]|null, comet_err_arcsec: Maybe, airmass?: Maybe, transparency_loss_mag?: Maybe, sky_mag_arcsec2?: Maybe, relative_weight?: Maybe}} FrameRecord
 */

/** What a frame is to the next run: `out` by hand, `in`, or left out by the program whatever is chosen. @typedef {"in"|"out"|"rejected"} Standing */

/** @typedef {{title: string, unit: string, of: (f: FrameRecord) => Maybe, err?: (f: FrameRecord) => Maybe, decimals: number, down?: boolean, csv: string, note: string}} Quantity */

/** @type {Quantity[]} */
const QUANTITIES = [
  { title: "Star width (FWHM)", unit: "″", of: (f) => f.fwhm_arcsec, decimals: 2, csv: "fwhm_arcsec", note: "seeing, focus and wind: smaller is sharper" },
  { title: "Elongation", unit: "", of: (f) => f.elongation, decimals: 3, csv: "elongation", note: "longer over shorter axis of the star images: 1 is round" },
  { title: "Sky", unit: " mag/″²", of: (f) => f.sky_mag_arcsec2, decimals: 2, down: true, csv: "sky_mag_arcsec2", note: "brighter upward: twilight, Moon, haze" },
  { title: "Zero point", unit: " mag", of: (f) => f.zero_point_mag, err: (f) => f.zero_point_err_mag, decimals: 3, csv: "zero_point_mag", note: "magnitude of one electron a second: lower through cloud" },
  { title: "Transparency loss", unit: " mag", of: (f) => f.transparency_loss_mag, decimals: 3, csv: "transparency_loss_mag", note: "zero point under the night's best" },
  { title: "Weight", unit: "", of: (f) => f.relative_weight, decimals: 3, csv: "relative_weight", note: "the mean of the frames in the stack is 1" },
  { title: "Airmass", unit: "", of: (f) => f.airmass, decimals: 3, csv: "airmass", note: "air that the comet's light crossed, 1 overhead" },
  { title: "O − C, right ascension", unit: "″", of: (f) => f.comet_o_minus_c_arcsec?.[0], err: (f) => f.comet_err_arcsec, decimals: 2, csv: "o_minus_c_ra_arcsec", note: "measured minus computed place, east positive" },
  { title: "O − C, declination", unit: "″", of: (f) => f.comet_o_minus_c_arcsec?.[1], err: (f) => f.comet_err_arcsec, decimals: 2, csv: "o_minus_c_dec_arcsec", note: "measured minus computed place, north positive" },
];

/** Whether anything was measured of a frame. @param {FrameRecord} f */
export const isMeasured = (f) => QUANTITIES.some((q) => known(q.of(f)));

/** @param {Quantity} q @param {FrameRecord} f */
function valueWords(q, f) {
  const v = q.of(f);
  return known(v) ? `${fixed(v, q.decimals)}${q.unit}` : UNMEASURED;
}

/** `20:55:22` @param {string|null} utc */
const clock = (utc) => utc?.slice(11, 19) ?? "no time";

/** @type {Column<FrameRecord>[]} */
export const FRAME_COLUMNS = [
  ["Frame", (f) => f.file],
  ["UTC", (f) => clock(f.mid_utc)],
  ...QUANTITIES.map((q) => (/** @type {Column<FrameRecord>} */ ([q.title, (f) => (q.err ? withError(q.of(f), q.err(f), q.unit === "″" ? "″" : "") : valueWords(q, f))]))),
];

/** All that is measured of a frame. @param {FrameRecord} f @returns {Flat} */
export function flatFrame(f) {
  const [o_minus_c_ra_arcsec, o_minus_c_dec_arcsec] = f.comet_o_minus_c_arcsec ?? [];
  return { ...Object.fromEntries(Object.entries(f).filter(([, v]) => v === null || typeof v !== "object")), o_minus_c_ra_arcsec, o_minus_c_dec_arcsec };
}

const [LEFT, RIGHT, TOP, BOTTOM, HEIGHT] = [56, 10, 18, 24, 146];

/**
 * @param {FrameRecord[]} frames
 * @param {string} name  of the files
 * @param {string} what  whose frames
 * @param {object} on
 * @param {(i: number) => Standing} on.standing
 * @param {(i: number|null) => void} on.pointed
 * @param {(i: number) => void} on.toggle
 */
export function strips(frames, name, what, on) {
  const times = frames.map((f) => (f.mid_utc ? Date.parse(f.mid_utc) / 60000 : NaN));
  const order = frames.map((_, i) => i).filter((i) => known(times[i])).sort((a, b) => times[a] - times[b]);
  const shown = QUANTITIES.filter((q) => frames.some((f) => known(q.of(f))));
  let now = -1;
  const parts = shown.map((q) => {
    const id = newId();
    const svg = s("svg", { class: "frame-strip", tabindex: 0, role: "group", "aria-labelledby": id, "aria-describedby": `${id}v` });
    const value = h("span", { class: "strip-value", id: `${id}v` });
    const cursor = s("path", { class: "cursor", "data-cursor": "" });
    const title = h("h4", { id }, q.title);
    const root = h("figure", { class: "frame-strip" }, h("figcaption", null, title, value, downloads(`${name}-${q.csv.replaceAll("_", "-")}`, `${q.title} over the night`, () => svg, () => csvOf(frames.map(({ file, mid_utc, used, rejected_because }, i) => ({ file, mid_utc, [q.csv]: q.of(frames[i]), ...(q.err ? { [`${q.csv}_err`]: q.err(frames[i]) } : {}), used, rejected_because }))))), svg, h("p", { class: "small" }, q.note));
    const at = { x: (/** @type {number} */ _) => 0, back: (/** @type {number} */ _) => 0, width: 0 };
    /** @type {{place: [number, number], drawn: SVGElement}[]} */
    const marks = [];
    return { q, svg, value, cursor, root, at, marks };
  });

  /** @param {typeof parts[number]} p @param {number} width */
  function draw(p, width) {
    const { q, svg, cursor, at } = p;
    const values = frames.flatMap((f) => { const [v, e] = [q.of(f), q.err?.(f) ?? 0]; return known(v) ? [v - e, v + e] : []; });
    const sx = scale({ label: "" }, times, LEFT + 6, width - RIGHT - 6);
    const sy = scale({ label: "", down: q.down }, values, HEIGHT - BOTTOM, TOP);
    Object.assign(at, { x: sx.at, back: sx.back, width });
    svg.setAttribute("viewBox", `0 0 ${width} ${HEIGHT}`);
    const g = s("g", { class: "axes" }, s("path", { class: "frame", d: `M${LEFT} ${TOP}V${HEIGHT - BOTTOM}H${width - RIGHT}V${TOP}z` }));
    for (const [t, words] of timeTicks(sx, width)) g.append(s("path", { class: "grid", d: `M${t.toFixed(1)} ${TOP}V${HEIGHT - BOTTOM}` }), s("text", { x: t.toFixed(1), y: HEIGHT - 8, class: "middle" }, words));
    for (const [v, words] of ticks({ label: "" }, sy, 26)) g.append(s("path", { class: "grid", d: `M${LEFT} ${sy.at(v).toFixed(1)}H${width - RIGHT}` }), s("text", { x: LEFT - 5, y: (sy.at(v) + 4).toFixed(1), class: "end" }, words));
    const group = s("g", null);
    for (const i of order) {
      const v = q.of(frames[i]);
      const [x, y] = [sx.at(times[i]), known(v) ? sy.at(v) : HEIGHT - BOTTOM];
      const err = q.err?.(frames[i]);
      if (known(v) && known(err)) group.append(s("path", { class: "error", d: `M${x.toFixed(1)} ${sy.at(v - err).toFixed(1)}V${sy.at(v + err).toFixed(1)}` }));
      p.marks[i] = { place: [x, y], drawn: mark(known(v) ? on.standing(i) : "missing", x, y) };
      group.append(p.marks[i].drawn);
    }
    // its file has no heading beside it
    fill(svg, s("text", { class: "file-only", x: LEFT, y: 11 }, `${q.title}${q.unit && `,${q.unit === "″" ? " ″" : q.unit}`} · ${what}, UTC`), g, group, cursor);
  }

  /** Clock times that have room. @param {ReturnType<typeof scale>} sx @param {number} width @returns {[number, string][]} */
  function timeTicks(sx, width) {
    const room = ((sx.max - sx.min) * 52) / (width - LEFT - RIGHT);
    const step = [1, 2, 5, 10, 15, 20, 30, 60, 120, 180, 240, 360].find((m) => m >= room) ?? 720;
    /** @type {[number, string][]} */
    const out = [];
    for (let t = Math.ceil(sx.min / step) * step; t <= sx.max; t += step) out.push([sx.at(t), new Date(t * 60000).toISOString().slice(11, 16)]);
    return out;
  }

  const near = (/** @type {typeof parts[number]} */ p, /** @type {PointerEvent|MouseEvent} */ e) => {
    const box = p.svg.getBoundingClientRect();
    const t = p.at.back(((e.clientX - box.left) / box.width) * p.at.width);
    return order.reduce((best, i) => (best < 0 || Math.abs(times[i] - t) < Math.abs(times[best] - t) ? i : best), -1);
  };
  for (const p of parts) {
    p.svg.addEventListener("pointermove", (e) => { const i = near(p, e); if (i !== now && i >= 0) on.pointed(i); });
    p.svg.addEventListener("click", (e) => { const i = near(p, e); if (i >= 0) on.toggle(i); });
    p.svg.addEventListener("keydown", (e) => {
      const next = walked(e.key, order.indexOf(now), order.length);
      if (next !== null) on.pointed(order[next]);
      else if ((e.key === " " || e.key === "Enter") && now >= 0) on.toggle(now);
      else return;
      e.preventDefault();
    });
  }
  const redraw = () => { for (const p of parts) draw(p, Math.max(240, Math.round(p.svg.getBoundingClientRect().width) || 360)); point(now < 0 ? null : now); };
  const watcher = new ResizeObserver(() => requestAnimationFrame(redraw));
  const root = h("div", { class: "frame-strips" }, ...parts.map((p) => p.root));
  watcher.observe(root);

  /** @param {number|null} i */
  function point(i) {
    now = i ?? -1;
    for (const p of parts) {
      const x = i === null || !known(times[i]) ? null : p.at.x(times[i]);
      p.cursor.setAttribute("d", x === null ? "" : `M${x.toFixed(1)} ${TOP}V${HEIGHT - BOTTOM}`);
      p.value.textContent = i === null ? "" : valueWords(p.q, frames[i]);
    }
  }
  /** A frame's standing has changed. @param {number} i */
  function remark(i) {
    for (const { q, marks } of parts) {
      const { place: [x, y], drawn } = marks[i] ?? { place: [0, 0] };
      if (!drawn || !known(q.of(frames[i]))) continue;
      marks[i].drawn = mark(on.standing(i), x, y);
      drawn.replaceWith(marks[i].drawn);
    }
  }
  return { root, point, redraw, remark, stop: () => watcher.disconnect() };
}

/** Told apart by shape. @param {Standing|"missing"} standing @param {number} x @param {number} y */
function mark(standing, x, y) {
  const [cx, cy] = [x.toFixed(1), y.toFixed(1)];
  if (standing === "in") return s("circle", { class: "frame-mark in", cx, cy, r: 3.2 });
  if (standing === "out") return s("rect", { class: "frame-mark out", x: (x - 3.4).toFixed(1), y: (y - 3.4).toFixed(1), width: 6.8, height: 6.8 });
  if (standing === "rejected") return s("path", { class: "frame-mark rejected", d: `M${(x - 3.6).toFixed(1)} ${(y - 3.6).toFixed(1)}l7.2 7.2m0-7.2l-7.2 7.2` });
  return s("path", { class: "frame-mark missing", d: `M${cx} ${cy}v-6` });
}

/** The shapes and what they stand for. */
export function markLegend() {
  const sample = (/** @type {Standing|"missing"} */ standing, /** @type {string} */ words) => h("li", null, s("svg", { viewBox: "0 0 12 12", width: 12, height: 12, "aria-hidden": "true" }, mark(standing, 6, standing === "missing" ? 9 : 6)), ` ${words}`);
  return h("ul", { class: "mark-legend small" }, sample("in", "in the stack"), sample("out", "left out by hand"), sample("rejected", "left out by the program"), sample("missing", "no value"));
}
