/** Values under the cursor, in a strip that is always there. @module */

/** @import { SkyView } from "./sky_view.js" */
/** @import { Tiles } from "./tiles.js" */
import { fill, h } from "./dom.js";
import { arcsec, declination, degrees, figures, fixed, km, known, rightAscension } from "./format.js";

export class Readout {
  /** @param {SkyView} sky @param {Tiles} tiles @param {(x: number, y: number) => string|null} filtered  words of the picture there, where that is not the night itself */
  constructor(sky, tiles, filtered) {
    this.sky = sky;
    this.tiles = tiles;
    this.filtered = filtered;
    this.cells = {
      place: this.#cell("RA, Dec"), rho: this.#cell("ρ"), pa: this.#cell("PA"), light: this.#cell("Surface brightness"), noise: this.#cell("S/N per pixel"), filter: this.#cell("In the picture"),
    };
    this.root = h("dl", { class: "readout", "aria-label": "Values under the cursor" }, ...Object.values(this.cells).map((c) => c.row));
    this.cells.filter.row.hidden = true;
    this.due = 0;
  }

  /** @param {string} words */
  #cell(words) {
    const value = h("dd", null, "–");
    return { row: h("div", null, h("dt", null, words), value), value };
  }

  /** At most once per frame. */
  refresh() {
    if (!this.due) this.due = requestAnimationFrame(() => { this.due = 0; this.#show(); });
  }

  #show() {
    const at = this.sky.cursor.get();
    const { grid } = this.sky;
    const { view } = grid;
    const c = this.cells;
    if (!at) return;
    const p = grid.polar(at.x, at.y);
    const [ra, dec] = grid.equatorial(at.x, at.y);
    fill(c.place.value, h("span", null, rightAscension(ra)), " ", h("span", null, declination(dec)));
    fill(c.rho.value, `${arcsec(p.rho_arcsec)}${view.km_per_arcsec ? `, ${km(p.rho_arcsec * view.km_per_arcsec)}` : ""}`);
    fill(c.pa.value, degrees(p.pa_deg));
    const light = this.tiles.value("night", at.x, at.y);
    const sigma = this.tiles.value("sigma", at.x, at.y);
    if (!light || !Number.isFinite(light.value)) {
      fill(c.light.value, light ? "no light measured here" : "outside the stack");
      fill(c.noise.value, "–");
    } else {
      const perArea = light.value / grid.area_arcsec2;
      const mag = known(view.zero_point_mag) && perArea > 0 ? `, ${fixed(view.zero_point_mag - 2.5 * Math.log10(perArea), 2)} mag/arcsec²` : "";
      fill(c.light.value, `${figures(perArea, 3)} e⁻/s/arcsec²${mag}${light.level ? ` (mean of ${2 ** light.level}² px)` : ""}`);
      fill(c.noise.value, sigma && sigma.value > 0 && light.level === 0 ? fixed(light.value / sigma.value, 1) : "–");
    }
    const filtered = this.filtered(at.x, at.y);
    c.filter.row.hidden = filtered === null;
    fill(c.filter.value, filtered ?? "");
  }

  /** The same in one sentence, for those who hear the page. */
  words() {
    return Object.values(this.cells).filter((c) => !c.row.hidden).map((c) => `${c.row.firstChild?.textContent}: ${c.value.textContent}`).join("; ");
  }
}
