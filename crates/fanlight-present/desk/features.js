/** The record's features: drawn by their verdicts as in the report, listed, and each with its evidence. @module */

/** @import { Feature, NightRecord, RidgePoint } from "./types.js" */
/** @import { SkyView, Lines, Pane } from "./sky_view.js" */
import { drawer, fill, h, s } from "./dom.js";
import { arcsec, capital, chance, day, degrees, figures, fixed, km, known, percent, percentError, plain, probability, turn, withError, wrapped } from "./format.js";
import { inks } from "./theme.js";

const POINTS = 24;
const [CROSSES, HALF_CROSS] = [8, 2.3];

/** @typedef {"supported"|"provisional"|"artefact"} Drawn */
/** @typedef {{number: number, feature: Feature, drawn: Drawn|null, ridge: RidgePoint[]}} Mark */

/** @param {NightRecord} record @returns {Mark[]} */
export function marks(record) {
  return record.morphology.features.map((feature, i) => {
    const v = feature.verdict;
    const drawn = v === "supported" || v === "provisional" || v === "artefact" ? v : null;
    return { number: i + 1, feature, drawn, ridge: ridge(feature) };
  });
}

/** The record's ridge line, or one from position angle, curvature and extent. @param {Feature} f @returns {RidgePoint[]} */
function ridge(f) {
  if (f.ridge && f.ridge.length > 1) return f.ridge.filter((p) => known(p.rho_arcsec) && known(p.pa_deg));
  return Array.from({ length: POINTS }, (_, k) => {
    const step = k / (POINTS - 1);
    if (f.kind === "arc" && !known(f.curvature_deg_per_arcsec)) {
      return { rho_arcsec: (f.inner_arcsec + f.outer_arcsec) / 2, pa_deg: turn(f.pa_deg + (step - 0.5) * f.width_deg) };
    }
    const rho = f.inner_arcsec + step * (f.outer_arcsec - f.inner_arcsec);
    return { rho_arcsec: rho, pa_deg: turn(f.pa_deg + (f.curvature_deg_per_arcsec ?? 0) * (rho - f.inner_arcsec)) };
  });
}

/** @param {Feature} f */
export const named = (f) => `${f.kind} at PA ${withError(f.pa_deg, f.pa_err_deg, "°")}`;

/** What a challenge measured. That of the noise is the probability above, or over how many errors its light stands. @param {string} name @param {number} value */
const measured = (name, value) => (name === "noise" && value <= 1 ? chance(value) : figures(value, 3));

/** A line in the style of a verdict, or dotted over what the verdict is not of. @param {CanvasRenderingContext2D} c @param {[number, number][]} points @param {Drawn|"elsewhere"} drawn */
function strokeVerdict(c, points, drawn) {
  const colours = inks();
  for (const [colour, width] of /** @type {[string, number][]} */ ([[colours.overDark, 3.2], [colours.overPale, 1.5]])) {
    c.strokeStyle = colour;
    c.lineWidth = width;
    c.setLineDash(drawn === "provisional" ? [5, 4] : drawn === "elsewhere" ? [0.1, 6] : []);
    c.lineCap = drawn === "elsewhere" ? "round" : "butt";
    c.beginPath();
    if (drawn === "artefact") {
      for (const [x, y] of along(points, CROSSES)) {
        c.moveTo(x - HALF_CROSS, y - HALF_CROSS);
        c.lineTo(x + HALF_CROSS, y + HALF_CROSS);
        c.moveTo(x + HALF_CROSS, y - HALF_CROSS);
        c.lineTo(x - HALF_CROSS, y + HALF_CROSS);
      }
    } else {
      points.forEach(([x, y], i) => (i ? c.lineTo(x, y) : c.moveTo(x, y)));
    }
    c.stroke();
  }
  c.setLineDash([]);
  c.lineCap = "butt";
}

/** Points at equal distances along a line. @param {[number, number][]} points @param {number} distance @returns {[number, number][]} */
function along(points, distance) {
  /** @type {[number, number][]} */
  const out = [];
  let left = distance / 2;
  for (let i = 0; i + 1 < points.length; i += 1) {
    const [a, b] = [points[i], points[i + 1]];
    const length = Math.hypot(b[0] - a[0], b[1] - a[1]);
    for (; left <= length && length > 0; left += distance) out.push([a[0] + (left / length) * (b[0] - a[0]), a[1] + (left / length) * (b[1] - a[1])]);
    left -= length;
  }
  return out.length ? out : points.slice(0, 1);
}

/** Whether a pane shows the twin or another night, looked at for itself: over it only the place of what was chosen is dotted. @param {Pane} pane */
const isElsewhere = (pane) => pane.picture?.twin === true || pane.picture?.layer.startsWith("night-") === true;

export class Features {
  /** @param {NightRecord} record @param {SkyView} sky @param {(text: string) => void} announce */
  constructor(record, sky, announce) {
    this.record = record;
    this.sky = sky;
    this.announce = announce;
    this.marks = marks(record);
    /** @type {Mark|null} */
    this.chosen = null;
    this.hidden = false;
    /** Told when another feature was chosen. @type {(mark: Mark|null) => void} */
    this.onChosen = () => {};
    sky.lines.push(this.#lines);
    this.evidence = h("div", { class: "evidence", tabindex: -1 });
    this.list = h("ul", { class: "features" }, ...this.marks.map((m) => this.#item(m)));
    const n = this.marks.length;
    const show = h("label", { class: "tick" }, h("input", { type: "checkbox", checked: true, onchange: (/** @type {Event} */ e) => {
      this.hidden = !(/** @type {HTMLInputElement} */ (e.target)).checked;
      sky.draw("above");
    } }), h("span", null, "Drawn over the night; over its twin dotted, where the night has the chosen one"));
    // as many as the list of nights says, and those that did not stand
    const stand = this.marks.filter((m) => m.feature.verdict !== "artefact").length;
    this.section = drawer(n === 0 ? "Features" : stand === n ? `Features (${n})` : `Features (${stand}, and ${n - stand} artefact${n - stand > 1 ? "s" : ""})`, { open: true }, ...(n ? [this.list, show, this.evidence] : [this.#none()])).section;
  }

  /** @param {Mark} mark */
  #item(mark) {
    const f = mark.feature;
    const { drawn } = mark;
    const sample = s("svg", { viewBox: "0 0 36 12", width: 36, height: 12, "aria-hidden": "true", class: `sample ${drawn ?? "none"}` },
      drawn === "artefact" ? s("path", { d: [6, 14, 22, 30].map((x) => `M${x - 2.3} 3.7l4.6 4.6m0-4.6l-4.6 4.6`).join("") }) : drawn && s("path", { d: "M1 6h34" }));
    const because = f.because?.trim();
    return h("li", null, h("button", { type: "button", class: "feature", "aria-expanded": "false", onclick: () => this.choose(mark) },
      sample, h("span", null, h("b", null, `${mark.number}: ${named(f)}`), ", ", f.verdict.replace("_", " "), ".", because && h("span", { class: "muted" }, ` ${because}`))));
  }

  #none() {
    const { detection_limit: limits, analysed } = this.record.morphology;
    if (analysed === false) return h("p", null, "The structure of the coma was not analysed on this night.");
    const sure = limits.filter((l) => l.recovered_fraction >= 0.85);
    if (sure.length === 0) return h("p", null, "No feature was found. How faint a feature would still have been found was not measured.");
    return h("div", null, h("p", null, "No feature was found. What would have been found nine times of ten:"),
      h("ul", null, ...sure.slice(0, 12).map((l) => h("li", null, `a wedge ${fixed(l.width_deg, 0)}° wide from ${fixed(l.inner_arcsec, 0)}″ to ${fixed(l.outer_arcsec, 0)}″, brighter than ${percent(l.contrast)} of the coma`))));
  }

  /** @param {Mark|null} mark */
  choose(mark) {
    this.chosen = mark === this.chosen ? null : mark;
    [...this.list.querySelectorAll("button")].forEach((b, i) => b.setAttribute("aria-expanded", String(this.marks[i] === this.chosen)));
    this.#show();
    this.sky.draw("above");
    this.onChosen(this.chosen);
    if (this.chosen) this.announce(`${capital(named(this.chosen.feature))}: ${this.chosen.feature.verdict.replace("_", " ")}. Its evidence is shown under the list of features.`);
  }

  /** Features whose lines a pane shows; the keyboard's cross is over all of them. @param {Pane|null} pane */
  #over(pane) {
    const drawn = /** @type {(Mark & {drawn: Drawn})[]} */ (this.marks.filter((m) => m.drawn));
    return pane && isElsewhere(pane) ? drawn.filter((m) => m === this.chosen) : drawn;
  }

  /** A click on a pane of the sky, or Enter. @param {number} x @param {number} y @param {number} reach_px @param {Pane|null} pane @returns {boolean} */
  clickedAt(x, y, reach_px, pane) {
    if (this.hidden) return false;
    const { grid } = this.sky;
    let [best, least] = [/** @type {Mark|null} */ (null), reach_px];
    for (const mark of this.#over(pane)) {
      const points = mark.ridge.map((p) => grid.atPolar(p.pa_deg, p.rho_arcsec));
      for (let i = 0; i + 1 < points.length; i += 1) {
        const [a, b] = [points[i], points[i + 1]];
        const [dx, dy] = [b[0] - a[0], b[1] - a[1]];
        const u = Math.min(Math.max(((x - a[0]) * dx + (y - a[1]) * dy) / (dx * dx + dy * dy || 1), 0), 1);
        const away = Math.hypot(x - a[0] - u * dx, y - a[1] - u * dy);
        if (away < least) [best, least] = [mark, away];
      }
    }
    if (best) this.choose(best === this.chosen ? null : best);
    return best !== null;
  }

  #show() {
    if (!this.chosen) {
      fill(this.evidence);
      return;
    }
    const f = this.chosen.feature;
    const rows = /** @type {[string, string][]} */ ([
      ["Verdict", f.verdict.replace("_", " ")],
      ["False-alarm probability", probability(f.false_alarm_probability)],
      ["Position angle", withError(f.pa_deg, f.pa_err_deg, "°")],
      ["From sunward", known(f.offset_from_sunward_deg) ? degrees(wrapped(f.offset_from_sunward_deg)) : "not measured"],
      ["Width", withError(f.width_deg, f.width_err_deg, "°")],
      ["Extent", `${arcsec(f.inner_arcsec)} to ${arcsec(f.outer_arcsec)}, ${km(f.inner_km)} to ${km(f.outer_km)}`],
      ["Contrast", percentError(f.contrast, f.contrast_err)],
    ]);
    if (known(f.curvature_deg_per_arcsec)) rows.push(["Curvature", `${figures(f.curvature_deg_per_arcsec, 2)}° per arcsec`]);
    fill(this.evidence, h("h3", null, `Evidence: ${named(f)}`), f.because && h("p", null, f.because),
      h("dl", { class: "values" }, ...rows.flatMap(([k, v]) => [h("dt", null, k), h("dd", null, v)])),
      h("div", { class: "row" }, h("button", { type: "button", onclick: () => this.sky.closeTo(1.5 * f.outer_arcsec) }, "Show it larger")),
      h("h3", null, "Challenges"),
      h("ul", { class: "challenges" }, ...f.challenges.map((c) => h("li", { class: c.outcome }, h("b", null, `${capital(c.name)}: ${c.outcome.replace("_", " ")}.`),
        known(c.statistic) ? ` Measured ${measured(c.name, c.statistic)}${known(c.threshold) ? `, limit ${plain(Number(c.threshold.toPrecision(3)))}` : ""}.` : "", ` ${c.explanation}`))));
  }

  /** @type {Lines} */
  #lines = (c, project, pane) => {
    if (this.hidden) return;
    const { grid } = this.sky;
    const elsewhere = isElsewhere(pane);
    for (const mark of this.#over(pane)) {
      const points = mark.ridge.map((p) => project(...grid.atPolar(p.pa_deg, p.rho_arcsec)));
      if (mark === this.chosen && !elsewhere) {
        c.strokeStyle = inks().overDark;
        c.lineWidth = 5.5;
        c.beginPath();
        points.forEach(([x, y], i) => (i ? c.lineTo(x, y) : c.moveTo(x, y)));
        c.stroke();
      }
      strokeVerdict(c, points, elsewhere ? "elsewhere" : mark.drawn);
      const end = mark.feature.kind === "arc" ? points[Math.floor(points.length / 2)] : points.at(-1);
      const [mx, my] = project(grid.view.centre_x_px, grid.view.centre_y_px);
      if (!end) continue;
      const far = Math.hypot(end[0] - mx, end[1] - my) || 1;
      const why = /twin/.test(mark.feature.because ?? "") ? "explained by the twin" : "artefact";
      const words = String(mark.number) + (elsewhere ? `: of ${day(this.record.mid_utc)}` : mark.drawn === "artefact" ? `: ${why}` : "");
      this.#label(c, words, mx, end[0] + ((end[0] - mx) / far) * 12, end[1] + ((end[1] - my) / far) * 12, pane.box());
    }
  };

  /** @param {CanvasRenderingContext2D} c @param {string} words @param {number} middle  long words run away from it @param {number} x @param {number} y @param {{x: number, width: number}} box  they stay in it */
  #label(c, words, middle, x, y, box) {
    const colours = inks();
    c.font = `700 ${13 * colours.rem}px system-ui, sans-serif`;
    c.textBaseline = "middle";
    c.textAlign = words.length < 4 ? "center" : x < middle ? "right" : "left";
    c.lineJoin = "round";
    c.lineWidth = 3.5;
    c.strokeStyle = colours.overDark;
    const { width } = c.measureText(words);
    const before = c.textAlign === "right" ? width : c.textAlign === "center" ? width / 2 : 0;
    const place = x < box.x || x > box.x + box.width ? x : Math.max(Math.min(x, box.x + box.width - width + before - 3), box.x + before + 3);
    c.strokeText(words, place, y);
    c.fillStyle = colours.overPale;
    c.fillText(words, place, y);
  }
}
