/** The panels of a picture to publish: which, and in what order. @module */

/** @import { Night } from "./types.js" */
import { fill, h, newId } from "./dom.js";
import { capital } from "./format.js";
import { quiet } from "./tables.js";
import { thumbnail } from "./thumbnail.js";

/** @typedef {{name: string, title: string, alt: string, width: number, height: number}} Panel */

const MOST = 6;

export class PanelChoice {
  /**
   * @param {Night} night
   * @param {Panel[]} panels
   * @param {string[]} chosen  changed in place
   * @param {(words: string) => void} announce
   * @param {() => void} changed
   */
  constructor(night, panels, chosen, announce, changed) {
    this.panels = panels;
    this.chosen = chosen;
    this.announce = announce;
    this.changed = changed;
    this.order = h("ol", { class: "panel-order", "aria-label": "Chosen panels in their order" });
    const where = (/** @type {string} */ file) => `api/nights/${night.id}/figures/${file}?v=${night.stamp}`;
    /** Ends what follows the theme. @type {(() => void)[]} */
    this.stops = [];
    this.boxes = panels.map((p) => {
      const box = h("input", { type: "checkbox", onchange: () => this.toggle(p.name) });
      const shown = thumbnail(where, p.name);
      this.stops.push(shown.stop);
      return { panel: p, box, card: h("label", { class: "panel-card" }, shown.root, h("span", { class: "tick" }, box, h("span", null, capital(p.title)))) };
    });
    this.limit = h("p", { class: "small" });
    const id = newId();
    this.root = h("div", null, h("p", { id, class: "small" }, `Up to ${MOST} panels; the first one chosen comes first.`),
      h("div", { class: "panel-cards", role: "group", "aria-labelledby": id }, ...this.boxes.map((b) => b.card)), this.limit, this.order);
    this.render();
  }

  stop() {
    this.stops.forEach((stop) => stop());
  }

  /** @param {string} name */
  toggle(name) {
    const at = this.chosen.indexOf(name);
    if (at >= 0) this.chosen.splice(at, 1);
    else if (this.chosen.length < MOST) this.chosen.push(name);
    this.render();
    this.changed();
  }

  /** @param {string} name @param {number} by @param {string} focus */
  move(name, by, focus) {
    const at = this.chosen.indexOf(name);
    const to = at + by;
    if (to < 0 || to >= this.chosen.length) return;
    this.chosen.splice(at, 1);
    this.chosen.splice(to, 0, name);
    this.render();
    // the hand stays on what it moved
    const buttons = /** @type {HTMLButtonElement[]} */ ([...this.order.children[to].querySelectorAll("button")]);
    (buttons.find((b) => b.dataset.does === focus && !b.disabled) ?? buttons.find((b) => !b.disabled))?.focus();
    this.announce(`${this.title(name)} is now number ${to + 1} of ${this.chosen.length}`);
    this.changed();
  }

  /** @param {string} name */
  title(name) {
    return capital(this.panels.find((p) => p.name === name)?.title ?? name);
  }

  render() {
    const full = this.chosen.length >= MOST;
    for (const { panel, box } of this.boxes) {
      box.checked = this.chosen.includes(panel.name);
      box.disabled = full && !box.checked;
    }
    this.limit.textContent = full ? `These are ${MOST}: take one away to choose another.` : "";
    const button = (/** @type {string} */ name, /** @type {string} */ does, /** @type {string} */ sign, /** @type {boolean} */ off, /** @type {() => void} */ run) =>
      quiet(sign, run, { "data-does": does, "aria-label": `${does}: ${this.title(name)}`, title: does, disabled: off });
    fill(this.order, ...this.chosen.map((name, i) => h("li", null, h("span", null, this.title(name)),
      button(name, "Earlier", "↑", i === 0, () => this.move(name, -1, "Earlier")),
      button(name, "Later", "↓", i === this.chosen.length - 1, () => this.move(name, 1, "Later")),
      button(name, "Take away", "×", false, () => {
        this.toggle(name);
        const left = this.order.querySelectorAll("button");
        (left[Math.min(3 * i + 2, left.length - 1)] ?? this.boxes.find((b) => b.panel.name === name)?.box)?.focus();
      }))));
  }
}
