/** How long the page's scripts take per frame and per answer, for whoever looks at `window.deskTimings`. @module */

const KEPT = 600;

export const timings = {
  /** Script per frame of the sky, ms. @type {number[]} */
  frames: [],
  /** From a change of a filter to its picture being whole on the screen, ms. @type {number[]} */
  filters: [],
  /** ms from the start of the page to the first picture. @type {number|null} */
  first_picture_ms: null,
  /** Tiles and filtered pictures that are held, bytes. */
  held_bytes: () => 0,
  /** @param {"frames"|"filters"} what @param {number} ms */
  add(what, ms) {
    const list = timings[what];
    list.push(ms);
    if (list.length > KEPT) list.shift();
  },
  /** @param {"frames"|"filters"} what */
  summary(what) {
    const sorted = [...timings[what]].sort((a, b) => a - b);
    const at = (/** @type {number} */ share) => sorted[Math.min(sorted.length - 1, Math.floor(share * sorted.length))];
    return { n: sorted.length, median: at(0.5), p95: at(0.95), most: sorted.at(-1) };
  },
  clear() {
    timings.frames.length = 0;
    timings.filters.length = 0;
  },
};

/** @type {any} */ (window).deskTimings = timings;
