/** What a night said before it was measured again, and what it says now. @module */

import { h } from "./dom.js";
import { capital, fixed, known, percent, percentError, probability, UNMEASURED, withError, wrapped } from "./format.js";
import { table } from "./tables.js";

/** @import { Feature, NightRecord } from "./types.js" */

/** @typedef {{aperture_km: number, band: string, mag?: number|null, mag_err?: number|null, afrho_cm?: number|null, afrho_err_cm?: number|null}} Light */
/** @typedef {{kind: string, pa_deg: number, pa_err_deg: number, width_deg: number, contrast: number, contrast_err: number, false_alarm_probability: number|null, verdict: string}} Seen */
/** @typedef {{n_frames: number, exposure_s: number, fwhm_arcsec: number|null, limit: number|null, zero_point_mag: number|null, zero_point_err_mag: number|null, light: Light[], features: Seen[], summary: string}} Snapshot */
/** @typedef {NightRecord & {photometry: Light[], zero_point?: {stack_zero_point_mag: number, stack_zero_point_err_mag: number}|null}} WithLight */

/** The little that is kept of a record, to be set beside the next. @param {NightRecord} record @returns {Snapshot} */
export function snapshot(record) {
  const r = /** @type {WithLight} */ (record);
  const limits = r.morphology.detection_limit.filter((l) => l.recovered_fraction >= 0.9).map((l) => l.contrast);
  return {
    n_frames: r.stack.n_frames,
    exposure_s: r.stack.exposure_s,
    fwhm_arcsec: r.morphology.psf?.fwhm_arcsec ?? null,
    limit: limits.length ? Math.min(...limits) : null,
    zero_point_mag: r.zero_point?.stack_zero_point_mag ?? null,
    zero_point_err_mag: r.zero_point?.stack_zero_point_err_mag ?? null,
    light: (r.photometry ?? []).map(({ aperture_km, band, mag, mag_err, afrho_cm, afrho_err_cm }) => ({ aperture_km, band, mag, mag_err, afrho_cm, afrho_err_cm })),
    features: r.morphology.features.map((/** @type {Feature} */ f) => ({ kind: f.kind, pa_deg: f.pa_deg, pa_err_deg: f.pa_err_deg, width_deg: f.width_deg, contrast: f.contrast, contrast_err: f.contrast_err, false_alarm_probability: f.false_alarm_probability, verdict: f.verdict })),
    summary: r.summary,
  };
}

/** @param {Seen|undefined} f */
const seenWords = (f) => (f ? `${f.verdict.replaceAll("_", " ")}: PA ${withError(f.pa_deg, f.pa_err_deg, "°")}, contrast ${percentError(f.contrast, f.contrast_err)}; false alarm ${probability(f.false_alarm_probability)}` : "not found");

/** The same feature in another record. @param {Seen} f @param {Seen[]} others */
function same(f, others) {
  const far = (/** @type {Seen} */ o) => Math.abs(wrapped(o.pa_deg - f.pa_deg));
  const near = others.filter((o) => o.kind === f.kind && far(o) <= Math.max(3 * Math.hypot(f.pa_err_deg, o.pa_err_deg), f.width_deg / 2));
  return near.sort((a, b) => far(a) - far(b))[0];
}

/** @param {number|null|undefined} a @param {number|null|undefined} b @param {number} decimals @param {string} unit */
function step(a, b, decimals, unit) {
  if (!known(a) || !known(b)) return "–";
  const d = b - a;
  return `${d > 0 ? "+" : ""}${fixed(d, decimals)}${unit}`;
}

/** @param {Snapshot} before @param {Snapshot} after */
export function differences(before, after) {
  /** @type {{what: string, before: string, after: string, step: string}[]} */
  const rows = [];
  const add = (/** @type {string} */ what, /** @type {string} */ a, /** @type {string} */ b, /** @type {string} */ d) => rows.push({ what, before: a, after: b, step: d });
  add("Frames in the stack", String(before.n_frames), String(after.n_frames), step(before.n_frames, after.n_frames, 0, ""));
  add("Exposure", `${fixed(before.exposure_s, 0)} s`, `${fixed(after.exposure_s, 0)} s`, step(before.exposure_s, after.exposure_s, 0, " s"));
  add("Seeing in the stack", known(before.fwhm_arcsec) ? `${fixed(before.fwhm_arcsec, 2)}″` : UNMEASURED, known(after.fwhm_arcsec) ? `${fixed(after.fwhm_arcsec, 2)}″` : UNMEASURED, step(before.fwhm_arcsec, after.fwhm_arcsec, 2, "″"));
  add("Zero point, mag", withError(before.zero_point_mag, before.zero_point_err_mag), withError(after.zero_point_mag, after.zero_point_err_mag), step(before.zero_point_mag, after.zero_point_mag, 4, ""));
  for (const km of [...new Set([...before.light, ...after.light].map((l) => l.aperture_km))]) {
    const [a, b] = [before, after].map((s) => s.light.find((l) => l.aperture_km === km));
    const name = `within ${fixed(km, 0)} km`;
    add(`Magnitude ${(b ?? a)?.band ?? ""} ${name}`, withError(a?.mag, a?.mag_err), withError(b?.mag, b?.mag_err), step(a?.mag, b?.mag, 4, ""));
    add(`Afρ ${name}, cm`, withError(a?.afrho_cm, a?.afrho_err_cm), withError(b?.afrho_cm, b?.afrho_err_cm), step(a?.afrho_cm, b?.afrho_cm, 1, ""));
  }
  add("Faintest contrast that would have been found", percent(before.limit), percent(after.limit), known(before.limit) && known(after.limit) ? step(100 * before.limit, 100 * after.limit, 2, " %") : "–");
  for (const f of before.features) {
    const now = same(f, after.features);
    add(capital(f.kind), seenWords(f), seenWords(now), now ? `PA ${step(f.pa_deg, f.pa_deg + wrapped(now.pa_deg - f.pa_deg), 1, "°")}, contrast ${step(100 * f.contrast, 100 * now.contrast, 2, " %")}` : "gone");
  }
  for (const f of after.features) if (!same(f, before.features)) add(capital(f.kind), "not found", seenWords(f), "new");
  return rows;
}

/** @param {Snapshot} before @param {Snapshot} after */
export function differenceTable(before, after) {
  /** @typedef {ReturnType<typeof differences>[number]} Row */
  return h("div", null,
    table({ caption: "Before and after", rows: differences(before, after), columns: [
      { head: "What", words: true, cell: (/** @type {Row} */ r) => r.what },
      { head: "Before", words: true, cell: (/** @type {Row} */ r) => r.before },
      { head: "Now", words: true, cell: (/** @type {Row} */ r) => r.after },
      { head: "Change", cell: (/** @type {Row} */ r) => r.step },
    ] }).root,
    h("p", { class: "small" }, "Both come from most of the same frames: their errors are shared, so a change smaller than the errors may still be due to the frames that were left out or brought back."),
    h("p", { class: "finding" }, after.summary));
}
