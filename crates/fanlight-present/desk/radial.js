/** Profile and curve of growth of the record, linked to the cursor. @module */

/** @import { NightRecord, View } from "./types.js" */
import { choice, fill, h } from "./dom.js";
import { arcsec, known, km } from "./format.js";
import { plot } from "./plot.js";

/**
 * @param {NightRecord} record
 * @param {View} view
 * @param {string} name  of the files
 * @param {(rho_arcsec: number) => void} hovered
 */
export function radialPlots(record, view, name, hovered) {
  const root = h("div", { class: "plots" });
  /** @type {((rho: number|null) => void)[]} */
  const cursors = [];
  const say = (/** @type {number} */ rho) => `${arcsec(rho)}${view.km_per_arcsec ? ` (${km(rho * view.km_per_arcsec)})` : ""}`;
  const profile = record.profile ?? [];
  if (profile.length > 1) {
    const calibrated = profile.some((r) => known(r.mag_per_arcsec2));
    const rows = [["rho_arcsec", "mean_e_per_s_arcsec2", "err_e_per_s_arcsec2", "mag_per_arcsec2"], ...profile.map((r) => [r.rho_arcsec, r.mean_e_per_s_arcsec2, r.err_e_per_s_arcsec2, r.mag_per_arcsec2])];
    const points = profile.flatMap((r) => (known(r.mean_e_per_s_arcsec2) && r.mean_e_per_s_arcsec2 > 0 ? [{
      x: r.rho_arcsec, y: r.mean_e_per_s_arcsec2, err: r.err_e_per_s_arcsec2,
      say: `ρ ${say(r.rho_arcsec)}: ${r.mean_e_per_s_arcsec2.toPrecision(3)} ± ${r.err_e_per_s_arcsec2?.toPrecision(2) ?? "?"} e⁻/s/arcsec²${calibrated && known(r.mag_per_arcsec2) ? `, ${r.mag_per_arcsec2.toFixed(2)} mag/arcsec²` : ""}`,
    }] : []));
    const made = plot({ title: "Profile", name: `${name}-profile`, x: { label: "ρ (arcsec)", log: true }, y: { label: "e⁻/s/arcsec²", log: true }, series: [{ name: "mean round the centre", points }], rows, hovered, alt: `Mean surface brightness round the centre at ${points.length} distances.` });
    cursors.push(made.setCursor);
    root.append(made.root);
  }
  const growth = record.curve_of_growth ?? [];
  if (growth.length > 1) {
    const quantities = /** @type {{key: "afrho_cm"|"mag"|"light_e_per_s", err: "afrho_err_cm"|"mag_err"|"light_err_e_per_s", words: string, label: string, unit: string}[]} */ ([
      { key: "afrho_cm", err: "afrho_err_cm", words: "Afρ", label: "Afρ (cm)", unit: "cm" },
      { key: "mag", err: "mag_err", words: "magnitude", label: "magnitude", unit: "mag" },
      { key: "light_e_per_s", err: "light_err_e_per_s", words: "light", label: "light (e⁻/s)", unit: "e⁻/s" },
    ]).filter((q) => growth.some((g) => known(g[q.key])));
    const place = h("div", null);
    let cursor = /** @type {(rho: number|null) => void} */ (() => {});
    const show = (/** @type {string} */ key) => {
      const q = quantities.find((x) => x.key === key) ?? quantities[0];
      const rows = [["radius_arcsec", "radius_km", ...quantities.flatMap((x) => [x.key, x.err])], ...growth.map((g) => [g.radius_arcsec, g.radius_km, ...quantities.flatMap((x) => [g[x.key], g[x.err]])])];
      const points = growth.flatMap((g) => {
        const [y, err] = [g[q.key], g[q.err]];
        return known(y) ? [{ x: g.radius_arcsec, y, err, say: `within ${say(g.radius_arcsec)}: ${y.toPrecision(4)}${known(err) ? ` ± ${err.toPrecision(2)}` : ""} ${q.unit}` }] : [];
      });
      const made = plot({ title: "Curve of growth", name: `${name}-growth`, x: { label: "radius (arcsec)", log: true }, y: { label: q.label, down: q.key === "mag", log: q.key === "light_e_per_s" }, series: [{ name: q.words, points, colour: "second", mark: "square" }], rows, hovered, alt: `${q.words} inside apertures of ${points.length} radii.` });
      cursor = made.setCursor;
      fill(place, made.root);
    };
    if (quantities.length) {
      show(quantities[0].key);
      root.append(h("div", null, place, quantities.length > 1 && choice("Shown inside each radius", quantities.map((q) => [q.key, q.words]), quantities[0].key, show).field));
      cursors.push((rho) => cursor(rho));
    }
  }
  return { root, setCursor: (/** @type {number|null} */ rho) => cursors.forEach((c) => c(rho)) };
}
