/** A small picture of a figure. Figures are some thousand pixels wide: shown by the dozen as they are, the browser would keep all of them unpacked. @module */

import { h } from "./dom.js";
import { themed } from "./figure_file.js";
import { theme } from "./theme.js";

/** @import { Where } from "./figure_file.js" */

/** Its name stands beside it, so that it says nothing by itself. @param {Where} where @param {string} name */
export function thumbnail(where, name) {
  const root = h("canvas", { class: "thumbnail", "aria-hidden": "true", width: 4, height: 5 });
  const over = new AbortController();
  let isSeen = false;
  async function draw() {
    const resizeWidth = Math.max(1, Math.round(root.clientWidth * Math.min(devicePixelRatio || 1, 2)));
    try {
      const answer = await fetch(where(`${themed(name)}.png`), { credentials: "omit", signal: over.signal });
      if (!answer.ok) return;
      const small = await createImageBitmap(await answer.blob(), { resizeWidth, resizeQuality: "high" });
      if (!over.signal.aborted) {
        [root.width, root.height] = [small.width, small.height];
        root.getContext("2d")?.drawImage(small, 0, 0);
      }
      small.close();
    } catch { /* it stays empty */ }
  }
  const watcher = new IntersectionObserver((seen) => {
    if (isSeen || !seen.some((s) => s.isIntersecting)) return;
    isSeen = true;
    draw();
  });
  watcher.observe(root);
  const unlisten = theme.listen(() => { if (isSeen) draw(); });
  return {
    root,
    stop() {
      over.abort();
      watcher.disconnect();
      unlisten();
    },
  };
}
