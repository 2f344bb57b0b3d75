/** Numbers, dates and directions in words, as the report writes them. @module */

const THIN = "\u202f";
const MINUS = "−";
export const UNMEASURED = "not measured";

/** @param {unknown} v @returns {v is number} */
export const known = (v) => typeof v === "number" && Number.isFinite(v);

/**
 * A number with so many decimals, thousands apart by thin spaces.
 * @param {number} v
 * @param {number} decimals
 */
export function fixed(v, decimals) {
  let [whole, part] = Math.abs(v).toFixed(Math.max(0, Math.min(decimals, 12))).split(".");
  if (whole.length > 4) whole = whole.replace(/\B(?=(\d{3})+$)/g, THIN);
  const zero = !/[1-9]/.test(whole + (part ?? ""));
  return (v < 0 && !zero ? MINUS : "") + whole + (part ? `.${part}` : "");
}

/**
 * A number with so many figures; powers of ten for the very large and small.
 * @param {number|null|undefined} v
 * @param {number} [figures]
 */
export function figures(v, figures = 3) {
  if (!known(v)) return UNMEASURED;
  if (v === 0) return "0";
  const power = Math.floor(Math.log10(Math.abs(v)));
  if (power < -4 || power > 6) {
    const mantissa = v / 10 ** power;
    return `${fixed(mantissa, figures - 1)}${THIN}×${THIN}10${superscript(power)}`;
  }
  return fixed(v, Math.max(0, figures - 1 - power));
}

/**
 * A value with its error, as many digits as the error allows.
 * @param {number|null|undefined} v
 * @param {number|null|undefined} err
 * @param {string} [unit]
 */
export function withError(v, err, unit = "") {
  if (!known(v)) return UNMEASURED;
  if (!known(err) || err <= 0) return figures(v, 3) + unit;
  const first = Math.floor(Math.log10(err));
  // two figures where the error begins with 1
  const decimals = Math.max(0, -first + (err / 10 ** first < 1.95 ? 1 : 0));
  return `${fixed(v, decimals)}${unit}${THIN}±${THIN}${fixed(err, decimals)}${unit}`;
}

/** @param {number} n */
function superscript(n) {
  return [...String(n)].map((c) => (c === "-" ? "⁻" : "⁰¹²³⁴⁵⁶⁷⁸⁹"[Number(c)])).join("");
}

const LEAST_PROBABILITY = 1e-6;
const LEAST_WORDS = `under 10${superscript(-6)}`;

/**
 * A probability: as a number, and how often that is.
 * @param {number|null|undefined} p
 */
export function probability(p) {
  if (!known(p)) return UNMEASURED;
  if (p < LEAST_PROBABILITY) return `${LEAST_WORDS}: less than one chance in a million`;
  if (p >= 0.95) return `${chance(p)}: nearly always`;
  const oneIn = 1 / p;
  const often = p >= 0.5 ? "more often than not" : `about one chance in ${oneIn < 10 ? fixed(oneIn, oneIn < 3 ? 1 : 0) : fixed(Number(oneIn.toPrecision(2)), 0)}`;
  return `${chance(p)}: ${often}`;
}

/** A probability as a number alone: never rounded to 0 or 1. @param {number} p */
export function chance(p) {
  if (p < LEAST_PROBABILITY) return LEAST_WORDS;
  return p >= 0.995 && p < 1 ? "over 0.99" : figures(p, 2);
}

/** @param {number|null|undefined} v  a share of 1 */
export const percent = (v) => (known(v) ? `${figures(100 * v, 2)}${THIN}%` : UNMEASURED);

/**
 * @param {number|null|undefined} v
 * @param {number|null|undefined} err
 */
export const percentError = (v, err) => withError(known(v) ? 100 * v : v, known(err) ? 100 * err : err, `${THIN}%`);

/** @param {number} v */
export const km = (v) => `${fixed(v >= 1000 ? Number(v.toPrecision(3)) : v, v < 10 ? 1 : 0)}${THIN}km`;

/** @param {number} v */
export const arcsec = (v) => `${fixed(v, Math.abs(v) < 10 ? 2 : 1)}″`;

/** @param {number} v */
export const degrees = (v) => `${fixed(v > 359.95 ? 0 : v, 1)}°`;

/** @param {number} v degrees to [0, 360) */
export const turn = (v) => ((v % 360) + 360) % 360;

/** @param {number} v degrees to (−180, 180] */
export const wrapped = (v) => { const t = turn(v); return t > 180 ? t - 360 : t; };

const MONTHS = ["January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November", "December"];

/** @param {string} utc  `24 March 2031, 21:08 UTC`, to the nearest minute as the program's sentences say it */
export function date(utc) {
  const m = /^(\d{4})-(\d\d)-(\d\d)T(\d\d):(\d\d)(?::(\d\d(?:\.\d+)?))?/.exec(utc);
  if (!m) return utc;
  const minute = new Date(Date.UTC(Number(m[1]), Number(m[2]) - 1, Number(m[3]), Number(m[4]), Number(m[5]) + (Number(m[6] ?? 0) >= 30 ? 1 : 0)));
  return `${minute.getUTCDate()} ${MONTHS[minute.getUTCMonth()]} ${minute.getUTCFullYear()}, ${two(minute.getUTCHours())}:${two(minute.getUTCMinutes())} UTC`;
}

/** @param {string} utc  `24 Mar 2031` */
export function day(utc) {
  const m = /^(-?\d+)-(\d\d)-(\d\d)/.exec(utc);
  return m ? `${Number(m[3])} ${MONTHS[Number(m[2]) - 1].slice(0, 3)} ${m[1]}` : utc;
}

/** @param {number} seconds */
export function duration(seconds) {
  if (seconds < 120) return `${fixed(seconds, 0)}${THIN}s`;
  if (seconds < 7200) return `${fixed(seconds / 60, seconds < 600 ? 1 : 0)}${THIN}min`;
  return `${fixed(seconds / 3600, 1)}${THIN}h`;
}

/** @param {number} deg  `11 41 49.37` */
export function rightAscension(deg) {
  const total = Math.round(turn(deg) * 24000) % 8640000;
  const part = total % 6000;
  return `${two(Math.floor(total / 360000))}h ${two(Math.floor(total / 6000) % 60)}m ${(part / 100).toFixed(2).padStart(5, "0")}s`;
}

/** @param {number} deg */
export function declination(deg) {
  const total = Math.round(Math.abs(deg) * 36000);
  const part = total % 600;
  return `${deg < 0 ? MINUS : "+"}${two(Math.floor(total / 36000))}° ${two(Math.floor(total / 600) % 60)}′ ${(part / 10).toFixed(1).padStart(4, "0")}″`;
}

/** @param {number} n */
const two = (n) => String(n).padStart(2, "0");

/** The largest of 1, 2, 5 × 10ⁿ that is not above a value. @param {number} value */
export function roundBelow(value) {
  if (!(Number.isFinite(value) && value > 0)) return 1;
  const decade = 10 ** Math.floor(Math.log10(value));
  return ([5, 2, 1].find((m) => m * decade <= value * (1 + 1e-9)) ?? 1) * decade;
}

/** A round number without needless noughts. @param {number} v */
export function plain(v) {
  if (v === 0) return "0";
  const size = Math.abs(v);
  if (size >= 1e6 || size < 1e-3) return figures(v, 1);
  return fixed(v, Math.max(0, ...[0, 1, 2, 3, 4, 5].filter((d) => Number(v.toFixed(d)) !== Number(v.toPrecision(6)))) + (Number(v.toFixed(0)) === Number(v.toPrecision(6)) ? 0 : 1));
}

/** @param {string} text */
export const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);
