/** What a night said before it was measured again, and what it says now. @module */

import { h } from "./dom.js";
import { capital, fixed, known, percentError, probability, UNMEASURED, withError, wrapped } from "./format.js";
import { table } from "./tables.js";

/** @import { Feature, NightRecord } from "./types.js" */
/** @import { Maybe } from "./season_types.js" */

/** @typedef {{aperture_km: number, band: string, mag: Maybe, mag_err: Maybe, afrho_cm: Maybe, afrho_err_cm: Maybe}} Light */
/** The little of a record that is kept, to be set beside the next. @typedef {Pick<NightRecord, "stack"|"morphology"> & {photometry: Light[], zero_point: {stack_zero_point_mag: number, stack_zero_point_err_mag: number}|null}} Kept */

/** @param {NightRecord} record @returns {Kept} */
export function kept(record) {
  const { stack, morphology, photometry, zero_point } = /** @type {NightRecord & Kept} */ (record);
  const { n_frames, exposure_s } = stack;
  return {
    stack: { n_frames, exposure_s },
    morphology: { ...morphology, features: morphology.features.map((f) => ({ ...f, challenges: [], ridge: [] })) },
    photometry: photometry ?? [],
    zero_point,
  };
}

/** The faintest contrast that is found nine times in ten. @param {Kept} k */
const limit = (k) => { const all = k.morphology.detection_limit.filter((l) => l.recovered_fraction >= 0.9).map((l) => l.contrast); return all.length ? Math.min(...all) : null; };

/** @param {Feature|undefined} f */
const seenWords = (f) => (f ? `${f.verdict.replaceAll("_", " ")}: PA ${withError(f.pa_deg, f.pa_err_deg, "°")}, contrast ${percentError(f.contrast, f.contrast_err)}; false alarm ${probability(f.false_alarm_probability)}` : "not found");

/** The same feature in another record. @param {Feature} f @param {Feature[]} others */
function same(f, others) {
  const far = (/** @type {Feature} */ o) => Math.abs(wrapped(o.pa_deg - f.pa_deg));
  const near = others.filter((o) => o.kind === f.kind && far(o) <= Math.max(3 * Math.hypot(f.pa_err_deg, o.pa_err_deg), f.width_deg / 2));
  return near.sort((a, b) => far(a) - far(b))[0];
}

/** @param {Maybe} a @param {Maybe} b @param {number} decimals @param {string} unit */
function step(a, b, decimals, unit) {
  return known(a) && known(b) ? `${b > a ? "+" : ""}${fixed(b - a, decimals)}${unit}` : "–";
}

/** @param {Kept} before @param {Kept} after */
export function differences(before, after) {
  /** @type {[what: string, before: string, after: string, step: string][]} */
  const rows = [];
  /** @param {string} what @param {(k: Kept) => Maybe} of @param {number} decimals @param {string} unit */
  const plain = (what, of, decimals, unit) => {
    const words = (/** @type {Kept} */ k) => { const v = of(k); return known(v) ? fixed(v, decimals) + unit : UNMEASURED; };
    rows.push([what, words(before), words(after), step(of(before), of(after), decimals, unit)]);
  };
  /** @param {string} what @param {(k: Kept) => Maybe[]} of @param {number} decimals */
  const withErrors = (what, of, decimals) => {
    const [[a, aErr], [b, bErr]] = [of(before), of(after)];
    rows.push([what, withError(a, aErr), withError(b, bErr), step(a, b, decimals, "")]);
  };
  plain("Frames in the stack", (k) => k.stack.n_frames, 0, "");
  plain("Exposure", (k) => k.stack.exposure_s, 0, " s");
  plain("Seeing in the stack", (k) => k.morphology.psf?.fwhm_arcsec, 2, "″");
  withErrors("Zero point, mag", (k) => [k.zero_point?.stack_zero_point_mag, k.zero_point?.stack_zero_point_err_mag], 4);
  for (const { aperture_km: km, band } of after.photometry) {
    const light = (/** @type {Kept} */ k) => k.photometry.find((l) => l.aperture_km === km);
    withErrors(`Magnitude ${band} within ${fixed(km, 0)} km`, (k) => [light(k)?.mag, light(k)?.mag_err], 4);
    withErrors(`Afρ within ${fixed(km, 0)} km, cm`, (k) => [light(k)?.afrho_cm, light(k)?.afrho_err_cm], 1);
  }
  plain("Faintest contrast found nine times in ten", (k) => { const v = limit(k); return v === null ? v : 100 * v; }, 2, " %");
  const [old, now] = [before.morphology.features, after.morphology.features];
  for (const f of old) {
    const next = same(f, now);
    rows.push([capital(f.kind), seenWords(f), seenWords(next), next ? `PA ${step(0, wrapped(next.pa_deg - f.pa_deg), 1, "°")}, contrast ${step(100 * f.contrast, 100 * next.contrast, 2, " %")}` : "gone"]);
  }
  for (const f of now) if (!same(f, old)) rows.push([capital(f.kind), "not found", seenWords(f), "new"]);
  return rows;
}

/** @param {Kept} before @param {Kept} after */
export function differenceTable(before, after) {
  return h("div", null,
    table("Before and after", differences(before, after), [["What", (r) => r[0], "words"], ["Before", (r) => r[1], "words"], ["Now", (r) => r[2], "words"], ["Change", (r) => r[3]]]).root,
    h("p", { class: "small" }, "Both come from most of the same frames: their errors are shared, so a change smaller than the errors may still be due to the frames that were left out or brought back."));
}
