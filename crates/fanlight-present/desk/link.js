/** Whether the desk still answers: asked now and then, said in words when it does not, and when it does again. @module */

import { store } from "./dom.js";

const EVERY_MS = 3000;
/** Asked for less and less often while nobody answers: each time leaves a line in the browser's console. */
const SELDOM_MS = 15_000;
/** Without an answer for so long it counts as gone, ms: what is asked may have to wait for what is computed. */
const PATIENCE_MS = 30_000;

/** here; gone: nobody answers; moved: a desk answers that has another address @typedef {"here"|"gone"|"moved"} Link */

export const link = store(/** @type {Link} */ ("here"));

let heardAt = 0;
let timer = 0;
let wait = EVERY_MS;
let asking = false;

/** An answer came, whatever it was. */
export function heard() {
  heardAt = performance.now();
}

/** No answer came: it is asked for at once. */
export function lost() {
  if (link.get() === "here") look();
}

/** Begins to ask. */
export function watch() {
  document.addEventListener("visibilitychange", () => { if (!document.hidden && link.get() !== "moved") look(); });
  schedule();
}

function schedule() {
  clearTimeout(timer);
  timer = setTimeout(() => {
    // other answers say as much; a page that is not seen does not ask
    if (document.hidden || (link.get() === "here" && performance.now() - heardAt < EVERY_MS / 2)) schedule();
    else look();
  }, wait);
}

async function look() {
  if (asking) return;
  asking = true;
  const now = await state();
  asking = false;
  wait = now === "here" ? EVERY_MS : Math.min(1.5 * wait, SELDOM_MS);
  if (now !== link.get()) link.set(now);
  // an address that has gone does not come back
  if (now !== "moved") schedule();
}

/** @returns {Promise<Link>} */
async function state() {
  try {
    const answer = await fetch("api/alive", { credentials: "omit", referrerPolicy: "no-referrer", cache: "no-store", signal: AbortSignal.timeout(PATIENCE_MS) });
    heard();
    return answer.status === 404 || answer.status === 403 ? "moved" : "here";
  } catch {
    return "gone";
  }
}
