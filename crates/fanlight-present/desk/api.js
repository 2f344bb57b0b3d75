/** Talking to the desk's server. All addresses are relative to the page, which carries the token. @module */

/** @import { Campaign, NightRecord, View, Method, Frame, FrameHead, Window, Sector, SectorResult, Measurement } from "./types.js" */

import { heard, lost } from "./link.js";

/** An answer that was not what was asked, in words. */
export class Refused extends Error {
  /**
   * @param {string} message
   * @param {string|null} hint
   * @param {number} status  0: no answer at all
   */
  constructor(message, hint, status) {
    super(message);
    this.hint = hint;
    this.status = status;
  }
}

export const NO_ANSWER = "The desk does not answer.";

/** What the data do not allow, in a sentence with what to do; `null` of what went wrong. @param {unknown} error */
export const notAllowed = (error) => (error instanceof Refused && error.status === 200 ? [error.message, error.hint].map((w) => (w ? `${w[0].toUpperCase()}${w.slice(1).replace(/[^.!?]$/, "$&.")}` : "")).join(" ").trim() : null);

/** @param {unknown} error */
export const isAbort = (error) => error instanceof DOMException && error.name === "AbortError";

/**
 * @param {string} path
 * @param {RequestInit} [init]
 */
async function ask(path, init) {
  let response;
  try {
    response = await fetch(path, { credentials: "omit", referrerPolicy: "no-referrer", ...init });
  } catch (error) {
    if (isAbort(error)) throw error;
    lost();
    throw new Refused(NO_ANSWER, "Is the command “fanlight desk” still running in its terminal? Start it again and open the address that it prints.", 0);
  }
  heard();
  if (response.ok) return response;
  /** @type {{error?: string, hint?: string|null}} */
  let body = {};
  try { body = await response.json(); } catch { /* not every answer has words */ }
  throw new Refused(body.error ?? `The desk answered with status ${response.status}.`, body.hint ?? null, response.status);
}

/**
 * @param {string} path
 * @param {AbortSignal} [signal]
 */
export async function get(path, signal) {
  return (await ask(path, { signal })).json();
}

/** @param {string} path */
export async function text(path) {
  return (await ask(path)).text();
}

/**
 * @param {string} path
 * @param {unknown} body
 * @param {AbortSignal} [signal]
 */
export async function post(path, body, signal) {
  return (await ask(path, posted(body, signal))).json();
}

/** @param {string} path */
export async function remove(path) {
  const response = await ask(path, { method: "DELETE" });
  const text = await response.text();
  return text ? JSON.parse(text) : null;
}

/**
 * Bytes that a post answers with, such as a picture to save.
 * @param {string} path
 * @param {unknown} body
 * @param {AbortSignal} [signal]
 */
export async function postForBytes(path, body, signal) {
  const answer = await ask(path, posted(body, signal));
  if (answer.headers.get("content-type") === "application/json") {
    const { refused_because: refused, hint } = await answer.json();
    throw new Refused(refused, hint, 200);
  }
  return answer.blob();
}

/**
 * @param {unknown} body
 * @param {AbortSignal} [signal]
 * @returns {RequestInit}
 */
const posted = (body, signal) => ({ method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body), signal });

/** @returns {Promise<Campaign>} */
export const campaign = () => get("api/campaign");
/** @param {number} id @returns {Promise<NightRecord>} */
export const record = (id) => get(`api/nights/${id}/record`);
/** @param {number} id @returns {Promise<View>} */
export const view = (id) => get(`api/nights/${id}/view`);
/** @returns {Promise<Method[]>} */
export const methods = () => get("api/methods");
/** @param {number} id @returns {Promise<Measurement[]>} */
export const measurements = (id) => get(`api/nights/${id}/measurements`);
/** @param {number} id @param {Sector & {person: string, note: string|null}} sector @returns {Promise<Measurement>} */
export async function saveMeasurement(id, sector) {
  const row = await post(`api/nights/${id}/measurements`, sector);
  if (row.refused_because) throw new Refused(row.refused_because, row.hint, 200);
  return row;
}
/** @param {number} id */
export const undoMeasurement = (id) => remove(`api/measurements/${id}`);
/** @param {number} id */
export const redoMeasurement = (id) => post(`api/measurements/${id}/restore`, {});
/** @param {number} id @param {Sector} sector @param {AbortSignal} signal @returns {Promise<SectorResult>} */
export async function sector(id, sector, signal) {
  const { measured, refused_because: refused, hint } = await post(`api/nights/${id}/sector`, sector, signal);
  if (!measured) throw new Refused(refused, hint, 200);
  return measured;
}

/**
 * Raw values of one tile.
 * @param {number} id @param {string} layer @param {number} level @param {number} column @param {number} row
 * @param {string} stamp @param {AbortSignal} signal
 */
export async function tile(id, layer, level, column, row, stamp, signal) {
  const response = await ask(`api/nights/${id}/layers/${layer}/${level}/${column}/${row}?v=${encodeURIComponent(stamp)}`, { signal });
  return new Float32Array(await response.arrayBuffer());
}

/**
 * @typedef {object} Drawn
 * @property {string|null} method
 * @property {Record<string, number|string>} settings
 * @property {number} centre_dx_px
 * @property {number} centre_dy_px
 * @property {string} layer
 * @property {number|null} against
 * @property {boolean} with_twin
 * @property {boolean} patient  the very level, however long it takes
 *
 * @typedef {{drawn: Drawn, window: Window, level: number}} EnhanceRequest
 * @typedef {{drawn: Drawn, inner_arcsec: number, outer_arcsec: number, n_pa: number, n_rho: number, log_rho: boolean}} UnrolledRequest
 */

/** @param {number} id @param {EnhanceRequest} request @param {AbortSignal} signal */
export const enhance = (id, request, signal) => frame(`api/nights/${id}/enhance`, request, signal);

/** @param {number} id @param {UnrolledRequest} request @param {AbortSignal} signal */
export const unrolled = (id, request, signal) => frame(`api/nights/${id}/unrolled`, request, signal);

/**
 * @param {string} path
 * @param {unknown} request
 * @param {AbortSignal} signal
 * @returns {Promise<Frame>}
 */
async function frame(path, request, signal) {
  const bytes = await (await ask(path, posted(request, signal))).arrayBuffer();
  const length = new DataView(bytes).getUint32(0, true);
  /** @type {FrameHead} */
  const head = JSON.parse(new TextDecoder().decode(new Uint8Array(bytes, 4, length)));
  // what the data do not allow is an answer too
  if (head.refused_because) throw new Refused(head.refused_because, head.hint ?? null, 200);
  const start = Math.ceil((4 + length) / 4) * 4;
  const n = head.width_px * head.height_px;
  const twin = head.has_twin ? new Float32Array(bytes, start + 4 * n, n) : null;
  return { head, night: new Float32Array(bytes, start, n), twin };
}

/**
 * Latest wins: at most one request runs and one, the newest, waits. What is overtaken gives nothing.
 * @template A, R
 * @param {(argument: A, signal: AbortSignal) => Promise<R>} run
 * @param {(result: R, argument: A) => void} done
 * @param {(error: unknown, argument: A) => void} failed
 */
export function latest(run, done, failed) {
  /** @type {AbortController|null} */
  let running = null;
  /** @type {{argument: A}|null} */
  let waiting = null;
  /** @param {A} argument */
  async function start(argument) {
    const own = new AbortController();
    running = own;
    try {
      const result = await run(argument, own.signal);
      if (!own.signal.aborted) done(result, argument);
    } catch (error) {
      if (!isAbort(error) && !own.signal.aborted) failed(error, argument);
    }
    if (running === own) running = null;
    const next = waiting;
    waiting = null;
    if (next && !running) start(next.argument);
  }
  return {
    /**
     * @param {A} argument
     * @param {{overtake?: boolean}} [options]  overtake: what runs is of no more use and is stopped
     */
    ask(argument, options = {}) {
      if (running && options.overtake) {
        running.abort();
        running = null;
      }
      if (running) waiting = { argument };
      else start(argument);
    },
    busy: () => running !== null,
    stop() {
      waiting = null;
      running?.abort();
      running = null;
    },
  };
}
