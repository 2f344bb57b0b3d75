/** The figures of a season beside the values that they were drawn of. @module */

import { csvOf, table } from "./tables.js";
import { h, s } from "./dom.js";
import { capital, date, day, degrees, figures, fixed, known, percent, probability, UNMEASURED, withError, wrapped } from "./format.js";
import { days } from "./figure_places.js";
import { figureDownloads, picture, plottedFigure } from "./season_figure.js";
import { amountWords, changeWords, quietWords, ratioWords, sideWords, measured } from "./season_words.js";

/** @import { SeasonRecord, SeasonNight, Track, TrackPoint, ActivityPoint, Change, ChangedFeature, Comparison } from "./season_types.js" */
/** @import { Column } from "./tables.js" */

export const FOLDER = "api/season/figures/";

/** @param {SeasonRecord} r */
const firstYear = (r) => Number(r.nights[0]?.mid_utc.slice(0, 4) ?? 2000);

/** @type {Column<SeasonNight>[]} */
export const NIGHT_COLUMNS = [
  { head: "Night", cell: (n) => date(n.mid_utc), values: [["mid_utc", (n) => n.mid_utc]] },
  { head: "Band", cell: (n) => n.band ?? "–", values: [["band", (n) => n.band], ["site", (n) => n.site], ["telescope", (n) => n.telescope]] },
  { head: "From the Sun, au", cell: (n) => fixed(n.r_au, 4), values: [["r_au", (n) => n.r_au], ["side_of_perihelion", (n) => n.side]] },
  { head: "From us, au", cell: (n) => fixed(n.delta_au, 4), values: [["delta_au", (n) => n.delta_au]] },
  { head: "Phase", cell: (n) => degrees(n.phase_deg), values: [["phase_deg", (n) => n.phase_deg]] },
  { head: "Seeing", cell: (n) => (known(n.fwhm_arcsec) ? `${fixed(n.fwhm_arcsec, 2)}″` : UNMEASURED), values: [["fwhm_arcsec", (n) => n.fwhm_arcsec], ["km_per_arcsec", (n) => n.km_per_arcsec]] },
  { head: "Frames", cell: (n) => n.n_frames, values: [["n_frames", (n) => n.n_frames], ["exposure_s", (n) => n.exposure_s], ["sunward_pa_deg", (n) => n.sunward_pa_deg], ["antisolar_pa_deg", (n) => n.antisolar_pa_deg], ["negative_velocity_pa_deg", (n) => n.negative_velocity_pa_deg], ["simulated", (n) => (n.simulated ? "yes" : "no")]] },
];

/** @param {SeasonNight} n */
const nightWords = (n) => `${date(n.mid_utc)}${n.band ? `, band ${n.band}` : ""}: ${fixed(n.r_au, 3)} au from the Sun, ${fixed(n.delta_au, 3)} au from us, phase ${degrees(n.phase_deg)}, seeing ${known(n.fwhm_arcsec) ? `${fixed(n.fwhm_arcsec, 2)}″` : UNMEASURED}, ${n.n_frames} frames`;

/**
 * When the nights were, to scale.
 * @param {SeasonRecord} r
 * @param {(utc: string) => void} open
 */
export function timeLine(r, open) {
  const at = r.nights.map((n) => days(n.mid_utc));
  const [first, last] = [Math.min(...at), Math.max(...at)];
  const [width, height, edge] = [1000, 54, 16];
  const place = (/** @type {number} */ d) => (last > first ? edge + ((d - first) / (last - first)) * (width - 2 * edge) : width / 2);
  const readout = h("output", { class: "said small" });
  const wait = `${r.nights.length} nights, to scale in time. Point at one, or use the arrow keys; Enter opens it.`;
  readout.textContent = wait;
  const dots = r.nights.map((n, i) => s("circle", { cx: place(at[i]).toFixed(1), cy: 22, r: r.nights.length > 80 ? 3 : 6, class: `night-dot${n.side === "post" ? " post" : ""}` }));
  const ends = [[first, "start"], ...(last > first ? [[last, "end"]] : [])].map(([d, anchor]) => s("text", { x: place(Number(d)), y: 47, "text-anchor": last > first ? anchor : "middle" }, day(new Date(Number(d) * 86400000).toISOString())));
  const svg = s("svg", { viewBox: `0 0 ${width} ${height}`, class: "time-line", tabindex: 0, role: "group", "aria-label": "Time line of the nights" }, s("path", { class: "rule", d: `M${edge} 22H${width - edge}` }), ...dots, ...ends);
  let now = -1;
  const point = (/** @type {number} */ i) => {
    dots[now]?.classList.remove("pointed");
    now = i;
    dots[i]?.classList.add("pointed");
    readout.textContent = i < 0 ? wait : nightWords(r.nights[i]);
  };
  const under = (/** @type {PointerEvent|MouseEvent} */ e) => {
    const box = svg.getBoundingClientRect();
    const x = ((e.clientX - box.left) / box.width) * width;
    return at.reduce((best, d, i) => (best < 0 || Math.abs(place(d) - x) < Math.abs(place(at[best]) - x) ? i : best), -1);
  };
  svg.addEventListener("pointermove", (e) => point(under(e)));
  svg.addEventListener("pointerleave", () => point(-1));
  svg.addEventListener("click", (e) => open(r.nights[under(e)].mid_utc));
  svg.addEventListener("keydown", (e) => {
    const end = at.length - 1;
    const next = { ArrowRight: Math.min(now + 1, end), ArrowLeft: now < 0 ? end : Math.max(now - 1, 0), Home: 0, End: end }[e.key];
    if (next !== undefined) point(next);
    else if (e.key === "Enter" && now >= 0) open(r.nights[now].mid_utc);
    else return;
    e.preventDefault();
  });
  return h("div", null, svg, readout);
}

/** One montage, as wide as the page or larger in a window of its own. @param {SeasonRecord} r @param {string} name @param {string} title @param {string} alt */
export function montage(r, name, title, alt) {
  const shown = picture(FOLDER, name, alt, { lazy: true });
  const frame = h("div", { class: "montage-window", role: "region", tabindex: 0, "aria-label": title }, shown.root);
  const sizes = /** @type {[number, string][]} */ ([[1, "whole"], [2, "twice"], [4, "four times"]]);
  const buttons = sizes.map(([times, words]) => h("button", { type: "button", class: "quiet", "aria-pressed": times === 1 ? "true" : "false", onclick: () => {
    shown.root.style.width = `${100 * times}%`;
    buttons.forEach((b, i) => b.setAttribute("aria-pressed", sizes[i][0] === times ? "true" : "false"));
  } }, words));
  const root = h("figure", { class: "season-figure" },
    h("figcaption", null, h("h4", null, capital(title)), h("div", { class: "downloads", role: "group", "aria-label": `Size of the montage: ${title}` }, ...buttons), figureDownloads(FOLDER, name, title, () => csvOf(NIGHT_COLUMNS, r.nights))), frame);
  return { root, stop: shown.stop };
}

/** @typedef {{track: Track, number: number, point: TrackPoint, night: SeasonNight|undefined}} TrackRow */

/** Position angles of the features. @param {SeasonRecord} r */
export function tracksFigure(r) {
  const rows = r.tracks.flatMap((track, i) => track.points.map((point) => ({ track, number: i + 1, point, night: r.nights.find((n) => n.mid_utc === point.utc) })));
  const offset = (/** @type {TrackRow} */ t) => (t.night ? wrapped(t.point.pa_deg - t.night.sunward_pa_deg) : null);
  /** @type {Column<TrackRow>[]} */
  const columns = [
    { head: "Night", cell: (t) => date(t.point.utc), values: [["mid_utc", (t) => t.point.utc]] },
    { head: "Feature", cell: (t) => `${t.number}: ${t.track.kind ?? "feature"}`, values: [["feature", (t) => t.number], ["kind", (t) => t.track.kind]] },
    { head: "PA", cell: (t) => withError(t.point.pa_deg, t.point.pa_err_deg, "°"), values: [["pa_deg", (t) => t.point.pa_deg], ["pa_err_deg", (t) => t.point.pa_err_deg]] },
    { head: "From the Sun's direction", cell: (t) => { const v = offset(t); return v === null ? UNMEASURED : degrees(v); }, values: [["offset_from_sunward_deg", offset], ["sunward_pa_deg", (t) => t.night?.sunward_pa_deg], ["antisolar_pa_deg", (t) => t.night?.antisolar_pa_deg], ["negative_velocity_pa_deg", (t) => t.night?.negative_velocity_pa_deg]] },
    { head: "Contrast", cell: (t) => percent(t.point.contrast), values: [["contrast", (t) => t.point.contrast]] },
  ];
  return plottedFigure({
    folder: FOLDER, name: "tracks", title: "Directions of the features", caption: "Features night by night", rows, columns, x: "date", y: "angle", year: firstYear(r),
    point: (t) => ({ x: days(t.point.utc), y: t.point.pa_deg }),
    say: (t) => `${date(t.point.utc)}, feature ${t.number} (${t.track.kind ?? "feature"}): PA ${withError(t.point.pa_deg, t.point.pa_err_deg, "°")}${offset(t) === null ? "" : `, ${degrees(Number(offset(t)))} from the Sun's direction`}, contrast ${percent(t.point.contrast)}`,
  });
}

/** The aperture that most points of the fits, or most points, have. @param {ActivityPoint[]} points */
function aperture(points) {
  /** @type {Map<number, [number, number]>} */
  const counts = new Map();
  for (const p of points) {
    const [fit, all] = counts.get(p.aperture_km) ?? [0, 0];
    counts.set(p.aperture_km, [fit + (p.in_fit ? 1 : 0), all + 1]);
  }
  const off = (/** @type {number} */ km) => Math.abs(Math.log(km / 10000));
  return [...counts].sort((a, b) => b[1][0] - a[1][0] || b[1][1] - a[1][1] || off(a[0]) - off(b[0]))[0]?.[0] ?? null;
}

/** @type {Column<ActivityPoint>[]} */
const ACTIVITY_COLUMNS = [
  { head: "Night", cell: (p) => date(p.utc), values: [["mid_utc", (p) => p.utc]] },
  { head: "Band", cell: (p) => p.band, values: [["band", (p) => p.band], ["site", (p) => p.site]] },
  { head: "Within, km", cell: (p) => fixed(p.aperture_km, 0), values: [["aperture_radius_km", (p) => p.aperture_km]] },
  { head: "From the Sun, au", cell: (p) => `${fixed(p.r_au, 4)} ${p.side ? (p.side === "pre" ? "inbound" : "outbound") : ""}`, values: [["r_au", (p) => p.r_au], ["side_of_perihelion", (p) => p.side]] },
  { head: "A(0°)fρ, cm", cell: (p) => withError(p.a0frho_cm, p.a0frho_err_cm), values: [["a0frho_cm", (p) => p.a0frho_cm], ["a0frho_err_cm", (p) => p.a0frho_err_cm]] },
  { head: "Magnitude", cell: (p) => withError(p.mag, p.mag_err), values: [["mag", (p) => p.mag], ["mag_err", (p) => p.mag_err]] },
  { head: "In the fits", cell: (p) => (p.in_fit ? "yes" : "no"), values: [["in_fit", (p) => (p.in_fit ? "yes" : "no")]] },
];

/** @typedef {{own: ActivityPoint|null, other: Comparison|null, r_au: number, afrho_cm: number|null, err: number|null}} DustRow */

/** Dust against the distance from the Sun, other comets with it. @param {SeasonRecord} r */
export function activityFigure(r) {
  const a = r.activity;
  const km = aperture(a.points);
  const own = a.points.filter((p) => p.aperture_km === km);
  const sides = ["pre", "post", null].filter((side) => own.some((p) => (p.side ?? null) === side && known(p.a0frho_cm)));
  /** @type {DustRow[]} */
  const rows = [
    ...own.map((p) => ({ own: p, other: null, r_au: p.r_au, afrho_cm: p.a0frho_cm, err: p.a0frho_err_cm })),
    ...a.comparison.flatMap((c) => (c.points ?? []).map((p) => ({ own: null, other: c, r_au: p.r_au, afrho_cm: p.afrho_cm, err: p.afrho_err_cm }))),
  ];
  const name = (/** @type {DustRow} */ d) => d.other?.comet ?? r.object;
  /** @type {Column<DustRow>[]} */
  const columns = [
    { head: "Comet", cell: (d) => name(d), values: [["comet", name], ["mid_utc", (d) => d.own?.utc], ["band", (d) => d.own?.band], ["aperture_radius_km", (d) => d.own?.aperture_km]] },
    { head: "Night", cell: (d) => (d.own ? date(d.own.utc) : "published") },
    { head: "From the Sun, au", cell: (d) => fixed(d.r_au, 4), values: [["r_au", (d) => d.r_au], ["side_of_perihelion", (d) => d.own?.side]] },
    { head: "Afρ, cm", cell: (d) => withError(d.afrho_cm, d.err), values: [["afrho_cm", (d) => d.afrho_cm], ["afrho_err_cm", (d) => d.err], ["afrho_is", (d) => (d.own ? "at zero phase" : "as published")]] },
    { head: "In the fits", cell: (d) => (d.own ? (d.own.in_fit ? "yes" : "no") : "–"), values: [["in_fit", (d) => (d.own ? (d.own.in_fit ? "yes" : "no") : null)]] },
    { head: "Source", words: true, cell: (d) => d.other?.source ?? "this season", values: [["source", (d) => d.other?.source ?? "this season"]] },
  ];
  return plottedFigure({
    folder: FOLDER, name: "activity", title: "Dust against the distance from the Sun", caption: `A(0°)fρ${km === null ? "" : ` within ${fixed(km, 0)} km`} against the distance from the Sun; other comets as published`, rows, columns, x: "log", y: "log", year: firstYear(r),
    point: (d) => (known(d.afrho_cm) ? { x: d.r_au, y: d.afrho_cm, panel: d.own ? Math.max(0, sides.indexOf(d.own.side ?? null)) : undefined } : null),
    say: (d) => (d.own ? `${date(d.own.utc)}: ${measured(d.afrho_cm, d.err, " cm")} at ${fixed(d.r_au, 4)} au, ${sideWords(d.own.side)}, band ${d.own.band}${d.own.in_fit ? "" : ", not in the fits"}` : `${name(d)}: ${measured(d.afrho_cm, d.err, " cm")} at ${fixed(d.r_au, 3)} au${d.other?.fair ? "" : "; the comparison is not fair"}`),
  });
}

/** Brightness against date. @param {SeasonRecord} r */
export function lightCurve(r) {
  const km = aperture(r.activity.points);
  const rows = r.activity.points.filter((p) => p.aperture_km === km);
  return plottedFigure({
    folder: FOLDER, name: "light-curve", title: "Light curve", caption: `Magnitudes${km === null ? "" : ` within ${fixed(km, 0)} km`} against date`, rows, columns: ACTIVITY_COLUMNS, x: "date", y: "number", year: firstYear(r),
    point: (p) => (known(p.mag) ? { x: days(p.utc), y: p.mag } : null),
    say: (p) => `${date(p.utc)}: magnitude ${withError(p.mag, p.mag_err)} in band ${p.band}, A(0°)fρ ${measured(p.a0frho_cm, p.a0frho_err_cm, " cm")}`,
  });
}

/** All apertures, as a table only. @param {SeasonRecord} r */
export const activityTable = (r) => table({ caption: "All apertures", columns: ACTIVITY_COLUMNS, rows: r.activity.points }).root;

/** @type {Column<{c: Change, f: ChangedFeature|null}>[]} */
export const CHANGE_COLUMNS = [
  { head: "From – to", cell: ({ c }) => `${day(c.from_utc)} – ${day(c.to_utc)}`, values: [["from_utc", ({ c }) => c.from_utc], ["to_utc", ({ c }) => c.to_utc]] },
  { head: "What", words: true, cell: ({ c, f }) => (f ? changeWords(f) : quietWords(c)), values: [["what", ({ f }) => f?.what ?? "nothing supported"], ["kind", ({ f }) => f?.kind]] },
  { head: "PA", cell: ({ f }) => (f ? withError(f.pa_deg, f.pa_err_deg, "°") : "–"), values: [["pa_deg", ({ f }) => f?.pa_deg], ["pa_err_deg", ({ f }) => f?.pa_err_deg]] },
  { head: "How much", cell: ({ f }) => (f ? amountWords(f) : "–"), values: [["contrast_change", ({ f }) => (f && f.what !== "moved" ? f.amount : null)], ["contrast_change_err", ({ f }) => (f && f.what !== "moved" ? f.amount_err : null)], ["moved_deg", ({ f }) => (f?.what === "moved" ? f.amount : null)], ["moved_err_deg", ({ f }) => (f?.what === "moved" ? f.amount_err : null)]] },
  { head: "Chance of so much by noise, seeing and processing", words: true, cell: ({ f }) => (f ? probability(f.probability) : "–"), values: [["probability", ({ c, f }) => f?.probability ?? c.smallest_probability]] },
  { head: "Would have been found", cell: ({ c }) => (known(c.limit_contrast) ? `${figures(100 * c.limit_contrast, 2)} %` : UNMEASURED), values: [["limit_contrast", ({ c }) => c.limit_contrast], ["limit_width_deg", ({ c }) => c.limit_width_deg], ["inner_km", ({ c }) => c.range_km?.[0]], ["outer_km", ({ c }) => c.range_km?.[1]], ["not_compared_because", ({ c }) => c.not_compared_because]] },
];

/** What changed, newest first. @param {SeasonRecord} r */
export function changeRows(r) {
  /** @type {{c: Change, f: ChangedFeature|null}[]} */
  const rows = [];
  for (const c of r.changes.toReversed()) {
    if (c.features.length === 0) rows.push({ c, f: null });
    for (const f of c.features) rows.push({ c, f });
  }
  return rows;
}

/** @type {Column<Comparison>[]} */
export const COMPARISON_COLUMNS = [
  { head: "Comet", cell: (c) => c.comet, values: [["comet", (c) => c.comet]] },
  { head: "This comet's dust over its", cell: ratioWords, values: [["ratio", (c) => c.ratio], ["ratio_err", (c) => c.ratio_err]] },
  { head: "At, au", cell: (c) => (c.r_range_au ? `${fixed(c.r_range_au[0], 2)} – ${fixed(c.r_range_au[1], 2)}` : "–"), values: [["inner_r_au", (c) => c.r_range_au?.[0]], ["outer_r_au", (c) => c.r_range_au?.[1]]] },
  { head: "Its slope", cell: (c) => withError(c.slope, c.slope_err), values: [["slope", (c) => c.slope], ["slope_err", (c) => c.slope_err]] },
  { head: "Fair", words: true, cell: (c) => (c.fair ? `yes${c.caveats.length ? `, but: ${c.caveats.join("; ")}` : ""}` : `no: ${c.caveats.join("; ")}`), values: [["fair", (c) => (c.fair ? "yes" : "no")], ["caveats", (c) => c.caveats.join("; ")]] },
  { head: "Source", words: true, cell: (c) => c.source, values: [["source", (c) => c.source]] },
];

