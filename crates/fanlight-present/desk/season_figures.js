/** The figures of a season beside the values that they were drawn of. @module */

import { h, s } from "./dom.js";
import { figureDownloads, picture } from "./figure_file.js";
import { capital, date, day, degrees, fixed, known, percent, probability, UNMEASURED, withError, wrapped } from "./format.js";
import { plottedFigure } from "./season_figure.js";
import { amountWords, changeWords, quietWords } from "./season_words.js";
import { csvButton, quiet, spoken, table, walked } from "./tables.js";

/** @import { Where } from "./figure_file.js" */
/** @import { SeasonRecord, SeasonNight, ActivityPoint, Maybe } from "./season_types.js" */
/** @import { Column, Flat } from "./tables.js" */

/** Days since 1970, as the axes of dates have them. @param {string} utc */
const days = (utc) => Date.parse(utc) / 86400000;

/** @type {Column<SeasonNight>[]} */
const NIGHT_COLUMNS = [
  ["Night", (n) => date(n.mid_utc)],
  ["Band", (n) => n.band ?? "–"],
  ["From the Sun, au", (n) => fixed(n.r_au, 4)],
  ["From us, au", (n) => fixed(n.delta_au, 4)],
  ["Phase", (n) => degrees(n.phase_deg)],
  ["Seeing", (n) => (known(n.fwhm_arcsec) ? `${fixed(n.fwhm_arcsec, 2)}″` : UNMEASURED)],
  ["Frames", (n) => n.n_frames],
];

/** @param {SeasonRecord} r */
export const nightsTable = (r) => table("Nights of the season", r.nights, NIGHT_COLUMNS).root;

/**
 * When the nights were, to scale.
 * @param {SeasonRecord} r
 * @param {(utc: string) => void} open
 */
export function timeLine(r, open) {
  const at = r.nights.map((n) => days(n.mid_utc));
  const [first, last] = [Math.min(...at), Math.max(...at)];
  const [width, edge] = [1000, 16];
  const places = at.map((d) => (last > first ? edge + ((d - first) / (last - first)) * (width - 2 * edge) : width / 2));
  const said = h("output", { class: "said small" });
  const dots = places.map((x, i) => s("circle", { cx: x.toFixed(1), cy: 22, r: at.length > 80 ? 3 : 6, class: `night-dot${r.nights[i].side === "post" ? " post" : ""}` }));
  const word = (/** @type {number} */ i, /** @type {string} */ anchor) => s("text", { x: places[i], y: 47, "text-anchor": anchor }, day(r.nights[i].mid_utc));
  const svg = s("svg", { viewBox: `0 0 ${width} 54`, class: "time-line", tabindex: 0, role: "group", "aria-label": "Time line of the nights" },
    s("path", { class: "rule", d: `M${edge} 22H${width - edge}` }), ...dots, ...(last > first ? [word(0, "start"), word(at.length - 1, "end")] : [word(0, "middle")]));
  let now = -1;
  const point = (/** @type {number} */ i) => {
    dots[now]?.classList.remove("pointed");
    now = i;
    dots[i]?.classList.add("pointed");
    said.textContent = i < 0 ? `${at.length} nights, to scale in time. Point at one, or use the arrow keys; Enter opens it.` : spoken(NIGHT_COLUMNS, r.nights[i]);
  };
  const under = (/** @type {MouseEvent} */ e) => {
    const box = svg.getBoundingClientRect();
    const far = (/** @type {number} */ i) => Math.abs(places[i] - ((e.clientX - box.left) / box.width) * width);
    return places.reduce((best, _, i) => (far(i) < far(best) ? i : best), 0);
  };
  svg.addEventListener("pointermove", (e) => point(under(e)));
  svg.addEventListener("pointerleave", () => point(-1));
  svg.addEventListener("click", (e) => open(r.nights[under(e)].mid_utc));
  svg.addEventListener("keydown", (e) => {
    const next = walked(e.key, now, at.length);
    if (next !== null) point(next);
    else if (e.key === "Enter" && now >= 0) open(r.nights[now].mid_utc);
    else return;
    e.preventDefault();
  });
  point(-1);
  return h("div", null, svg, said);
}

/** One montage, as wide as the page or larger in a window of its own. @param {SeasonRecord} r @param {Where} where @param {string} name @param {string} title @param {string} alt */
export function montage(r, where, name, title, alt) {
  const shown = picture(where, name, alt, { lazy: true });
  const frame = h("div", { class: "montage-window", role: "region", tabindex: 0, "aria-label": title, "data-times": 1 }, shown.root);
  const buttons = ["whole", "twice", "four times"].map((words, k) => quiet(words, () => {
    frame.dataset.times = String(2 ** k);
    shown.root.style.width = `${100 * 2 ** k}%`;
    buttons.forEach((b, i) => b.setAttribute("aria-pressed", String(i === k)));
  }, { "aria-pressed": String(k === 0) }));
  const root = h("figure", null, h("figcaption", null, h("h4", null, capital(title)), h("div", { class: "downloads", role: "group", "aria-label": `Size of the montage: ${title}` }, ...buttons),
    figureDownloads(where, name, title, () => r.nights.map(({ folder, ...n }) => n))), frame);
  return { root, stop: shown.stop };
}

/** Position angles of the features. @param {SeasonRecord} r @param {Where} where */
export function tracksFigure(r, where) {
  const rows = r.tracks.flatMap((track, i) => track.points.map((p) => {
    const night = r.nights.find((n) => n.mid_utc === p.utc);
    return {
      mid_utc: p.utc, feature: i + 1, kind: track.kind ?? "feature", pa_deg: p.pa_deg, pa_err_deg: p.pa_err_deg, contrast: p.contrast,
      offset_from_sunward_deg: night && wrapped(p.pa_deg - night.sunward_pa_deg),
      sunward_pa_deg: night?.sunward_pa_deg, antisolar_pa_deg: night?.antisolar_pa_deg, negative_velocity_pa_deg: night?.negative_velocity_pa_deg,
    };
  }));
  return plottedFigure({
    where, name: "tracks", title: "Directions of the features", caption: "Features night by night", rows, flat: rows,
    columns: [
      ["Night", (t) => date(t.mid_utc)],
      ["Feature", (t) => `${t.feature}: ${t.kind}`],
      ["PA", (t) => withError(t.pa_deg, t.pa_err_deg, "°")],
      ["From the Sun's direction", (t) => (known(t.offset_from_sunward_deg) ? degrees(t.offset_from_sunward_deg) : UNMEASURED)],
      ["Contrast", (t) => percent(t.contrast)],
    ],
    point: (t) => ({ x: days(t.mid_utc), y: t.pa_deg }),
  });
}

/** The aperture that most points of the fits, or most points, have: the figures'. @param {ActivityPoint[]} points */
function aperture(points) {
  const count = (/** @type {number} */ km) => points.reduce((n, p) => n + (p.aperture_km === km ? 1 + (p.in_fit ? points.length : 0) : 0), 0);
  const off = (/** @type {number} */ km) => Math.abs(Math.log(km / 10000));
  return [...new Set(points.map((p) => p.aperture_km))].sort((a, b) => count(b) - count(a) || off(a) - off(b))[0] ?? NaN;
}

/** @type {Column<ActivityPoint>[]} */
const ACTIVITY_COLUMNS = [
  ["Night", (p) => date(p.utc)],
  ["Band", (p) => p.band],
  ["Within, km", (p) => fixed(p.aperture_km, 0)],
  ["From the Sun, au", (p) => `${fixed(p.r_au, 4)}${p.side ? (p.side === "pre" ? " inbound" : " outbound") : ""}`],
  ["A(0°)fρ, cm", (p) => withError(p.a0frho_cm, p.a0frho_err_cm)],
  ["Magnitude", (p) => withError(p.mag, p.mag_err)],
  ["In the fits", (p) => (p.in_fit ? "yes" : "no")],
];

/** Dust against the distance from the Sun, other comets with it. @param {SeasonRecord} r @param {Where} where */
export function activityFigure(r, where) {
  const a = r.activity;
  const km = aperture(a.points);
  const own = a.points.filter((p) => p.aperture_km === km);
  // the figure has a panel for each side that has a value
  const sides = ["pre", "post", null].filter((side) => own.some((p) => p.side === side && known(p.a0frho_cm)));
  /** @typedef {{comet: string, source: string, mid_utc?: string, band?: string, aperture_radius_km?: number, r_au: number, side?: string|null, afrho_cm: Maybe, afrho_err_cm: Maybe, afrho_is: string, in_fit?: boolean, fair?: boolean}} Dust */
  /** @type {Dust[]} */
  const rows = [
    ...own.map((p) => ({ comet: r.object, source: "this season", mid_utc: p.utc, band: p.band, aperture_radius_km: km, r_au: p.r_au, side: p.side, afrho_cm: p.a0frho_cm, afrho_err_cm: p.a0frho_err_cm, afrho_is: "at zero phase", in_fit: p.in_fit })),
    ...a.comparison.flatMap(({ comet, source, fair, points }) => (points ?? []).map((p) => ({ comet, source, ...p, afrho_is: "as published", fair }))),
  ];
  return plottedFigure({
    where, name: "activity", title: "Dust against the distance from the Sun", caption: `A(0°)fρ within ${fixed(km, 0)} km; other comets as published`, rows, flat: rows,
    columns: [
      ["Comet", (d) => d.comet],
      ["Night", (d) => (d.mid_utc ? date(d.mid_utc) : "published")],
      ["From the Sun, au", (d) => fixed(d.r_au, 4)],
      ["Afρ, cm", (d) => withError(d.afrho_cm, d.afrho_err_cm)],
      ["In the fits", (d) => (d.mid_utc ? (d.in_fit ? "yes" : "no") : "–")],
      ["Fair", (d) => (d.fair === undefined ? "–" : d.fair ? "yes" : "no")],
      ["Source", (d) => d.source, "words"],
    ],
    point: (d) => (known(d.afrho_cm) ? { x: d.r_au, y: d.afrho_cm, panel: d.mid_utc ? Math.max(0, sides.indexOf(d.side ?? null)) : undefined } : null),
  });
}

/** Brightness against date. @param {SeasonRecord} r @param {Where} where */
export function lightCurve(r, where) {
  const { points } = r.activity;
  const km = aperture(points);
  // the other apertures' values stand behind those of the plot
  const rows = [...points.filter((p) => p.aperture_km === km), ...points.filter((p) => p.aperture_km !== km)];
  return plottedFigure({
    where, name: "light-curve", title: "Light curve", caption: `Magnitudes and dust; plotted are those within ${fixed(km, 0)} km`, rows, flat: rows, columns: ACTIVITY_COLUMNS,
    point: (p) => (known(p.mag) && p.aperture_km === km ? { x: days(p.utc), y: p.mag } : null),
  });
}

/** @template R @param {string} name @param {string} caption @param {R[]} rows @param {Column<R>[]} columns @param {(row: R) => Flat} flat */
const savedTable = (name, caption, rows, columns, flat) => h("div", null, h("div", { class: "downloads" }, csvButton(name, caption, () => rows.map(flat))), table(caption, rows, columns).root);

/** What changed from night to night, newest first: map and table. @param {SeasonRecord} r @param {Where} where @param {string|undefined} mapAlt  of the map, where there is one */
export function changes(r, where, mapAlt) {
  const rows = r.changes.toReversed().flatMap((c) => (c.features.length ? c.features : [null]).map((f) => ({ c, f })));
  /** @param {typeof rows[number]} row @returns {Flat} */
  const flat = ({ c, f }) => {
    const [moved, contrast] = f?.what === "moved" ? [f, null] : [null, f];
    return {
      from_utc: c.from_utc, to_utc: c.to_utc, what: f?.what ?? (c.not_compared_because ? "not compared" : "nothing supported"), kind: f?.kind, pa_deg: f?.pa_deg, pa_err_deg: f?.pa_err_deg,
      contrast_change: contrast?.amount, contrast_change_err: contrast?.amount_err, moved_deg: moved?.amount, moved_err_deg: moved?.amount_err,
      probability: f?.probability ?? c.smallest_probability, limit_contrast: c.limit_contrast, limit_width_deg: c.limit_width_deg, inner_km: c.range_km?.[0], outer_km: c.range_km?.[1], not_compared_because: c.not_compared_because,
    };
  };
  const map = mapAlt === undefined ? null : picture(where, "change", mapAlt, { lazy: true });
  return {
    stop: () => map?.stop(),
    root: h("div", null,
      map && h("figure", { class: "change-map" }, h("figcaption", null, h("h4", null, "The latest change, as a map"), figureDownloads(where, "change", "The latest change, as a map", () => rows.map(flat))), map.root),
      savedTable("changes", "Each night against the one before it in its band, latest first", rows, [
        ["From – to", ({ c }) => `${day(c.from_utc)} – ${day(c.to_utc)}`],
        ["What", ({ c, f }) => (f ? changeWords(f) : quietWords(c)), "words"],
        ["Chance of so much by noise, seeing and processing", ({ f }) => (f ? probability(f.probability) : "–"), "words"],
        ["PA", ({ f }) => (f ? withError(f.pa_deg, f.pa_err_deg, "°") : "–")],
        ["How much", ({ f }) => (f ? amountWords(f) : "–")],
        ["Would have been found", ({ c }) => percent(c.limit_contrast)],
      ], flat)),
  };
}

/** @param {SeasonRecord} r */
export const comparison = (r) => savedTable("comparison", "Dust beside other comets", r.activity.comparison, [
  ["Comet", (c) => c.comet],
  ["This comet's dust over its", (c) => (known(c.ratio) ? `${withError(c.ratio, c.ratio_err)} times` : "–")],
  ["At, au", (c) => (c.r_range_au ? c.r_range_au.map((v) => fixed(v, 2)).join(" – ") : "–")],
  ["Its slope", (c) => withError(c.slope, c.slope_err)],
  ["Fair", (c) => [c.fair ? "yes" : "no", ...c.caveats].join("; "), "words"],
  ["Source", (c) => c.source, "words"],
], (c) => ({ comet: c.comet, ratio: c.ratio, ratio_err: c.ratio_err, nearest_r_au: c.r_range_au?.[0], farthest_r_au: c.r_range_au?.[1], slope: c.slope, slope_err: c.slope_err, fair: c.fair, caveats: c.caveats.join("; "), source: c.source }));
