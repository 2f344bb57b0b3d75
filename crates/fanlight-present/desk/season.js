/** The season view. @module */

/** @import { Context } from "./main.js" */
import { fill, h } from "./dom.js";

/**
 * @param {HTMLElement} root
 * @param {Context} _context
 */
export async function show(root, _context) {
  fill(root, h("h2", null, "Season"), h("p", null, "Nothing is shown here yet."));
}
