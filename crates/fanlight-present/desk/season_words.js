/** What a season's record says, in words. @module */

import { day, degrees, figures, fixed, known, percentError, probability, UNMEASURED, withError } from "./format.js";

/** @import { ChangedFeature, Change, Track, Period, Outburst, ActivityFit } from "./season_types.js" */

/** A value with its error and then the unit. @param {number|null|undefined} v @param {number|null|undefined} err @param {string} unit */
export const measured = (v, err, unit) => (known(v) ? `${withError(v, err)}${unit}` : UNMEASURED);

/** @param {ChangedFeature} f */
export const changeWords = (f) => `${f.what}: ${f.kind === "coma" ? "part of the coma" : f.kind}`;

/** @param {ChangedFeature} f */
export const amountWords = (f) => (f.what === "moved" ? `turned by ${withError(f.amount, f.amount_err, "°")}` : `contrast ${f.amount > 0 ? "+" : ""}${percentError(f.amount, f.amount_err)}`);

/** Of a pair of nights on which nothing is listed. @param {Change} c */
export const quietWords = (c) => `${c.statement}${known(c.smallest_probability) ? ` The least probable of all that was looked at: ${probability(c.smallest_probability)}.` : ""}`;

/** @type {Record<string, string>} */
const DIRECTIONS = {
  fixed_to_sun: "one offset from the Sun's direction",
  fixed_in_space: "one direction fixed in space",
  rotating: "a periodic direction",
};

/** Which model of its direction the nights prefer. @param {Track} t */
export function directionWords(t) {
  const l = t.log_likelihood;
  if (!l) return "Too few nights to tell a direction fixed to the Sun's from one fixed in space or a periodic one.";
  const models = Object.entries(l).filter(([, v]) => known(v)).sort((a, b) => Number(b[1]) - Number(a[1]));
  const [first, second] = models;
  const odds = second ? Math.exp(Math.min(Number(first[1]) - Number(second[1]), 700)) : Infinity;
  const than = second ? `, ${odds > 1e6 ? "over a million" : figures(odds, 2)} to 1 against ${DIRECTIONS[second[0]] ?? second[0]}` : "";
  return t.preferred ? `The nights prefer ${DIRECTIONS[t.preferred] ?? t.preferred}${than}.` : `The nights prefer none by 20 to 1; ${DIRECTIONS[first[0]] ?? first[0]} comes first${than}.`;
}

/** @param {Track} t */
export const driftWords = (t) => (known(t.drift_deg_per_day) ? `${withError(t.drift_deg_per_day, t.drift_err_deg_per_day, "°")} a day` : "not measured: too few nights");

/** @param {Period|null} p @param {string|null|undefined} because */
export function periodWords(p, because) {
  if (!p) return because ? `None. ${because.charAt(0).toUpperCase()}${because.slice(1)}.` : "None found.";
  const others = p.aliases_h.length ? ` The sampling cannot tell it from ${p.aliases_h.map((a) => `${figures(a, 4)} h`).join(", ")}.` : "";
  return `${measured(p.period_h, p.err_h, " h")}; chance that the same values in another order give so strong a one: ${probability(p.false_alarm_probability)}.${others}`;
}

/** @param {Outburst} o */
export function outburstWords(o) {
  return `${o.step_mag < 0 ? "Brighter" : "Fainter"} by ${measured(Math.abs(o.step_mag), o.step_err_mag, " mag")} on ${day(o.utc)}${o.after_utc ? ` (last night before it: ${day(o.after_utc)})` : ""}; chance of such a step anywhere in the season: ${probability(o.false_alarm_probability)}.${o.or_bend ? " A bend of the trend explains the nights nearly as well." : ""}`;
}

/** @param {string} side */
const sideWords = (side) => (side === "pre" ? "before perihelion" : side === "post" ? "after perihelion" : "side of perihelion not known");

/** @param {ActivityFit} f */
export function fitWords(f) {
  return `Band ${f.band}, ${sideWords(f.side)}: A(0°)fρ goes as the distance from the Sun to the power ${withError(f.slope, f.slope_err)}, from ${f.n_nights} nights between ${fixed(f.r_range_au[0], 3)} and ${fixed(f.r_range_au[1], 3)} au, which scatter by ${fixed(f.scatter_dex, 3)} dex beyond their errors; ${measured(f.afrho_1au_cm, f.afrho_1au_err_cm, " cm")} at 1 au by it${f.r_range_au[0] > 1 || f.r_range_au[1] < 1 ? ", which lies outside what was seen" : ""}.`;
}
