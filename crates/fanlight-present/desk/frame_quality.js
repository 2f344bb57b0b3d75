/** The night's frames: what is measured of each, as the report's plots over one time axis with one cursor, and as a table. @module */

import { h, newId, s } from "./dom.js";
import { figureDownloads } from "./figure_file.js";
import { fixed, known, UNMEASURED, withError } from "./format.js";
import { NightPlot, plotsOf } from "./night_plot.js";
import { walked } from "./tables.js";

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

/** Hours of the day on which the first of some times is, as the figures' time axes have them. @param {FrameRecord[]} frames */
function hours(frames) {
  const days = frames.map((f) => (f.mid_utc ? Date.parse(f.mid_utc) / 86400000 : NaN));
  const midnight = Math.min(...days.filter(known).map(Math.floor));
  return days.map((d) => 24 * (d - midnight));
}

/**
 * @param {number} night
 * @param {FrameRecord[]} frames
 * @param {string} name  of the files
 * @param {string} comment  first line of the CSV files
 * @param {object} on
 * @param {(i: number) => Standing} on.standing
 * @param {(i: number|null) => void} on.pointed
 * @param {(i: number) => void} on.toggle
 */
export function strips(night, frames, name, comment, on) {
  const times = hours(frames);
  const order = frames.map((_, i) => i).filter((i) => known(times[i])).sort((a, b) => times[a] - times[b]);
  const shown = QUANTITIES.filter((q) => order.some((i) => known(q.of(frames[i]))));
  const asMeasured = frames.map((_, i) => on.standing(i));
  const nearest = (/** @type {number} */ t) => order.reduce((best, i) => (best < 0 || Math.abs(times[i] - t) < Math.abs(times[best] - t) ? i : best), -1);
  let now = -1;

  const parts = shown.map((q) => {
    const id = newId();
    const value = h("span", { class: "strip-value", id: `${id}v` });
    const plotName = q.csv.replaceAll("_", "-");
    /** Rings about the frames that the next run treats otherwise. @type {Map<number, SVGElement>} */
    const rings = new Map();
    const plot = new NightPlot({
      where: plotsOf(night), name: plotName, labelledby: id, describedby: `${id}v`,
      pointed: (t) => { const i = nearest(t); if (i !== now && i >= 0) on.pointed(i); },
      clicked: (t) => { const i = nearest(t); if (i >= 0) on.toggle(i); },
      key(key) {
        const next = walked(key, order.indexOf(now), order.length);
        if (next !== null) on.pointed(order[next]);
        else if ((key === " " || key === "Enter") && now >= 0) on.toggle(now);
        else return false;
        return true;
      },
      drawn: () => { rings.clear(); order.forEach(ring); },
    });
    /** @param {number} i */
    function ring(i) {
      const [panel] = plot.panels;
      rings.get(i)?.remove();
      if (!panel || !plot.svg || on.standing(i) === asMeasured[i]) return;
      const v = q.of(frames[i]);
      const bottom = panel.top + panel.height;
      // a value beyond the panel has its mark at the edge, a frame without one none or at the foot
      const y = known(v) ? Math.min(Math.max(panel.y.at(v), panel.top), bottom) : bottom - 6;
      const drawn = changeRing(panel.x.at(times[i]), y);
      rings.set(i, drawn);
      plot.svg.append(drawn);
    }
    const rows = () => frames.map((f) => ({ file: f.file, mid_utc: f.mid_utc, [q.csv]: q.of(f), ...(q.err ? { [`${q.csv}_err`]: q.err(f) } : {}), used: f.used, rejected_because: f.rejected_because }));
    const root = h("figure", { class: "frame-strip" },
      h("figcaption", null, h("h4", { id }, q.title), value, figureDownloads(plotsOf(night), plotName, `${q.title} over the night`, rows, { file: `${name}-${plotName}`, comment })),
      plot.holder, h("p", { class: "small" }, q.note));
    return { q, value, plot, ring, root };
  });

  /** @param {number|null} i */
  function point(i) {
    now = i ?? -1;
    for (const { q, value, plot } of parts) {
      plot.setCursor(i === null || !known(times[i]) ? null : times[i]);
      value.textContent = i === null ? "" : valueWords(q, frames[i]);
    }
  }
  return {
    root: h("div", { class: "frame-strips" }, ...parts.map((p) => p.root)),
    point,
    /** A frame's standing has changed. @param {number} i */
    remark: (i) => { if (known(times[i])) parts.forEach((p) => p.ring(i)); },
    stop: () => parts.forEach((p) => p.plot.stop()),
  };
}

/** @param {number} x @param {number} y */
const changeRing = (x, y) => s("circle", { class: "frame-mark changed", cx: x.toFixed(1), cy: y.toFixed(1), r: 6.5 });

/** The marks of the figures, and what they stand for. */
export function markLegend() {
  const sample = (/** @type {SVGElement} */ mark, /** @type {string} */ words) => h("li", null, s("svg", { viewBox: "0 0 16 16", width: 16, height: 16, "aria-hidden": "true" }, mark), ` ${words}`);
  return h("ul", { class: "mark-legend small" },
    sample(s("circle", { class: "frame-mark in", cx: 8, cy: 8, r: 3 }), "in the stack"),
    sample(s("rect", { class: "frame-mark out", x: 4.6, y: 4.6, width: 6.8, height: 6.8 }), "left out by hand"),
    sample(s("path", { class: "frame-mark rejected", d: "M4 4l8 8m0-8l-8 8" }), "left out by the program"),
    sample(changeRing(8, 8), "otherwise at the next run"));
}
