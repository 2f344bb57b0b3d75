/** Radial profile and curve of growth as the report draws them, with the values of night and twin at the cursor. @module */

/** @import { NightRecord, View } from "./types.js" */
/** @import { Maybe } from "./season_types.js" */
import * as api from "./api.js";
import { fill, h, newId } from "./dom.js";
import { figureDownloads } from "./figure_file.js";
import { arcsec, figures, known, km, withError } from "./format.js";
import { NightPlot, plotsOf } from "./night_plot.js";
import { nightLine, walked } from "./tables.js";

/**
 * @typedef {{rho_arcsec: number, rho_km: number, inner_arcsec: number, outer_arcsec: number, mean_e_per_s_arcsec2: number, err_e_per_s_arcsec2: number,
 *   mag_per_arcsec2: Maybe, slope: Maybe, slope_err: Maybe, twin_mean_e_per_s_arcsec2: Maybe}} RingRow
 * @typedef {{what: "curve"|"aperture", radius_arcsec: number, radius_km: number, light_e_per_s: Maybe, light_err_e_per_s: Maybe, mag: Maybe, mag_err: Maybe, afrho_cm: Maybe,
 *   afrho_err_cm: Maybe, a0frho_cm: Maybe, a0frho_err_cm: Maybe, twin_light_e_per_s: Maybe, twin_mag: Maybe, twin_afrho_cm: Maybe}} GrowthRow
 * @typedef {{profile_caption: string|null, profile: RingRow[], growth_caption: string|null, growth: GrowthRow[]}} Radial
 */

/** @param {Maybe} v @param {Maybe} twin  as exact as the night's error allows @param {Maybe} err @param {string} unit */
const both = (v, err, twin, unit) => `night ${withError(v, err)}${known(twin) ? `, twin ${withError(twin, err).split("±")[0].trim()}` : ""}${unit}`;

/** @param {RingRow} r */
function ringWords(r) {
  const parts = [both(r.mean_e_per_s_arcsec2, r.err_e_per_s_arcsec2, r.twin_mean_e_per_s_arcsec2, " e⁻/s/arcsec²")];
  if (known(r.mag_per_arcsec2)) parts.push(`${r.mag_per_arcsec2.toFixed(2)} mag/arcsec²`);
  if (known(r.slope)) parts.push(`slope ${withError(r.slope, r.slope_err)}`);
  return `Ring at ρ ${arcsec(r.rho_arcsec)} (${km(r.rho_km)}): ${parts.join("; ")}`;
}

/** @param {GrowthRow} r */
function circleWords(r) {
  const parts = [known(r.mag) ? `magnitude: ${both(r.mag, r.mag_err, r.twin_mag, "")}` : both(r.light_e_per_s, r.light_err_e_per_s, r.twin_light_e_per_s, " e⁻/s")];
  if (known(r.afrho_cm)) parts.push(`Afρ: ${both(r.afrho_cm, r.afrho_err_cm, r.twin_afrho_cm, " cm")}`);
  return `Within ${arcsec(r.radius_arcsec)} (${km(r.radius_km)}): ${parts.join("; ")}`;
}

/**
 * @param {NightRecord} record
 * @param {View} view
 * @param {string} name  of the files
 * @param {{after: Promise<void>, cursor: () => number|null, hovered: (rho_arcsec: number) => void, failed: (error: unknown) => void}} on  after: the sky comes first
 */
export function radialPlots(record, view, name, on) {
  const root = h("div", { class: "plots" });
  const where = plotsOf(view.id);
  const comment = nightLine(record);
  /** @type {{setCursor: (rho: number) => void, stop: () => void}[]} */
  const made = [];
  let ended = false;

  /**
   * @template R
   * @param {string} plot @param {string} title @param {string} caption @param {R[]} all  for the CSV file
   * @param {R[]} rows  along the cursor @param {(row: R) => number} rhoOf @param {(row: R) => string} words
   * @param {number} per_arcsec  units of the figure's axis
   */
  function add(plot, title, caption, all, rows, rhoOf, words, per_arcsec) {
    const id = newId();
    const said = h("output", { id: `${id}v`, class: "small", "aria-live": "polite" });
    const rhos = rows.map(rhoOf);
    let now = -1;
    /** The row nearest to a distance; at the comet, which has no place on a logarithmic axis, the one that stands. @param {number|null} rho */
    const nearest = (rho) => {
      if (!rho) return now;
      const far = (/** @type {number} */ i) => Math.abs(Math.log(rhos[i] / rho));
      return rhos.reduce((best, _, i) => (best < 0 || far(i) < far(best) ? i : best), -1);
    };
    const drawn = new NightPlot({
      where, name: plot, labelledby: id, describedby: `${id}v`,
      pointed: (x) => on.hovered(x / per_arcsec),
      key(key) {
        // from where the cursor is: the plot shows it a frame later
        const next = walked(key, nearest(on.cursor()), rows.length);
        if (next !== null) on.hovered(rhos[next]);
        return next !== null;
      },
    });
    made.push({
      stop: () => drawn.stop(),
      setCursor(rho) {
        drawn.setCursor(rho * per_arcsec);
        const i = nearest(rho);
        if (i !== now && i >= 0) said.textContent = words(rows[i]);
        now = i;
      },
    });
    root.append(h("figure", { class: "plot" },
      h("figcaption", null, h("h3", { id }, title), figureDownloads(where, plot, title, () => /** @type {import("./tables.js").Flat[]} */ (all), { file: `${name}-${plot}`, comment })),
      drawn.holder, said, h("p", { class: "small muted" }, caption)));
  }

  on.after.then(async () => {
    if (ended) return;
    /** @type {Radial} */
    const radial = await api.get(`api/nights/${view.id}/radial`);
    if (ended) return;
    const { profile, growth } = radial;
    if (radial.profile_caption) add("profile", "Radial profile", radial.profile_caption, profile, profile.filter((r) => r.rho_arcsec > 0 && r.mean_e_per_s_arcsec2 > 0), (r) => r.rho_arcsec, ringWords, 1);
    const curve = growth.filter((r) => r.what === "curve" && r.radius_arcsec > 0);
    if (radial.growth_caption && view.km_per_arcsec) add("growth", "Curve of growth", radial.growth_caption, growth, curve.length ? curve : growth, (r) => r.radius_arcsec, circleWords, view.km_per_arcsec);
    if (!root.childElementCount) fill(root, h("p", null, "No ring of this night shows light."));
    const rho = on.cursor();
    if (rho !== null) setCursor(rho);
  }).catch(on.failed);

  /** @param {number} rho */
  function setCursor(rho) {
    if (rho > 0) made.forEach((part) => part.setCursor(rho));
  }
  return { root, setCursor, stop() { ended = true; made.forEach((part) => part.stop()); } };
}
