/** The publish view: panels, words and size chosen, the result seen as it will be exported, and the night's files. @module */

import * as api from "./api.js";
import { save } from "./downloads.js";
import { choice, fill, h, newId, number } from "./dom.js";
import { capital, date } from "./format.js";
import { trouble } from "./jobs.js";
import { PanelChoice } from "./publish_panels.js";
import { adesPart, filesPart } from "./publish_files.js";
import { quiet } from "./tables.js";
import { memory, seen } from "./theme.js";

/** @import { Context } from "./main.js" */
/** @import { Panel } from "./publish_panels.js" */
/** @import { NightRecord } from "./types.js" */

const KEY = "fanlight-desk-publish-";
const [LEAST_PX, MOST_PX] = [480, 7680];
/** After the last key: the picture is drawn anew. */
const REST_MS = 350;

/** @typedef {{panels: string[], columns: number, title: string, words: string|null, width_px: number, theme: string}} Draft  words `null`: those of the record */

/**
 * @param {HTMLElement} root
 * @param {Context} context
 * @returns {Promise<() => void>} ends the view
 */
export async function show(root, context) {
  const { night, campaign } = context;
  if (!night) {
    fill(root, h("h2", null, "Publish"), h("p", null, "This campaign has no night yet."));
    return () => {};
  }
  const [panels, caption, record] = await Promise.all([
    /** @type {Promise<Panel[]>} */ (api.get(`api/nights/${night.id}/panels`)),
    /** @type {Promise<{text: string}>} */ (api.get(`api/nights/${night.id}/caption`)),
    api.record(night.id),
  ]);
  const key = KEY + (night.folder ?? night.id);
  const usual = `${campaign.object}, ${date(night.mid_utc)}`;
  const draft = read(key, panels, usual);

  // --- the result
  const view = h("img", { alt: "" });
  const frame = h("div", { class: "publish-result" }, view);
  const state = h("p", { class: "small", role: "status" });
  const problem = h("div", null);
  let address = "";
  let timer = 0;
  const drawing = api.latest(
    (/** @type {object} */ request, signal) => api.postForBytes(`api/nights/${night.id}/publish`, request, signal),
    (blob) => {
      URL.revokeObjectURL(address);
      address = URL.createObjectURL(blob);
      view.src = address;
      view.alt = alt();
      view.hidden = false;
      state.textContent = "As it will be exported.";
      fill(problem);
    },
    (error) => {
      view.hidden = true;
      state.textContent = "";
      fill(problem, trouble(error));
    },
  );
  const alt = () => `${draft.title}: ${draft.panels.map((p) => panels.find((q) => q.name === p)?.alt ?? p).join(" ")}`;
  const request = (/** @type {string} */ format) => ({ ...draft, words: (draft.words ?? caption.text).trim() || null, format });
  function changed() {
    memory.write(key, JSON.stringify(draft));
    clearTimeout(timer);
    exports.forEach((b) => { b.disabled = draft.panels.length === 0; });
    if (draft.panels.length === 0) {
      drawing.stop();
      view.hidden = true;
      state.textContent = "Choose at least one panel.";
      return;
    }
    state.textContent = "Drawing anew…";
    timer = setTimeout(() => drawing.ask(request("svg")), REST_MS);
  }
  const fileName = `${campaign.object.replace(/[^A-Za-z0-9]+/g, "-")}-${night.mid_utc.slice(0, 10)}`;
  const exports = ["png", "svg"].map((format) => h("button", { type: "button", class: format === "png" ? "main" : null, onclick: async () => {
    state.textContent = `Making the ${format.toUpperCase()}…`;
    try {
      const blob = await api.postForBytes(`api/nights/${night.id}/publish`, request(format));
      save(blob, `${fileName}.${format}`);
      state.textContent = `${fileName}.${format} was handed to the browser to save.`;
    } catch (error) {
      state.textContent = "";
      fill(problem, trouble(error));
    }
  } }, `Save ${format.toUpperCase()}`));

  // --- what is chosen
  const chosen = new PanelChoice(night, panels, draft.panels, context.announce, changed);
  const own = h("p", { class: "small" });
  const area = h("textarea", { rows: 5, maxlength: 4000, "aria-describedby": `${(own.id = newId())}`, oninput: () => { draft.words = area.value === caption.text ? null : area.value; sayWords(); changed(); } });
  area.value = draft.words ?? caption.text;
  const back = quiet("The record's words again", () => { area.value = caption.text; draft.words = null; sayWords(); changed(); });
  function sayWords() {
    back.disabled = draft.words === null;
    own.className = draft.words === null ? "small" : "small warning";
    own.textContent = draft.words === null ? "The record's own words: each statement is one that the evidence supports." : draft.words.trim() === "" ? "No words will stand under the panels." : "Words of your own: they are not checked against the evidence.";
  }
  sayWords();
  const title = h("input", { type: "text", maxlength: 200, value: draft.title, oninput: () => { draft.title = title.value; changed(); } });
  const field = (/** @type {string} */ label, /** @type {HTMLElement} */ input) => { input.id = newId(); return h("div", { class: "field" }, h("label", { for: input.id }, label), input); };
  const width = number("Width", { value: draft.width_px, min: LEAST_PX, max: MOST_PX, step: 1, unit: `pixels, ${LEAST_PX} to ${MOST_PX}` }, (v) => { draft.width_px = Math.round(v); changed(); });
  const columns = choice("Columns", [["1", "one"], ["2", "two"], ["3", "three"]], String(draft.columns), (v) => { draft.columns = Number(v); changed(); });
  const ground = choice("Ground", [["light", "light, for paper"], ["dark", "dark, for screens"]], draft.theme, (v) => { draft.theme = v; changed(); });

  fill(root,
    h("h2", null, `Publish the night of ${date(night.mid_utc)}`),
    warnings(record),
    h("div", { class: "publish" },
      h("section", { "aria-label": "What is published" },
        h("h3", null, "Panels"), chosen.root,
        h("h3", null, "Words"), field("Title", title), field("Text", area), own, h("div", { class: "row" }, back),
        h("h3", null, "Form"), h("div", { class: "row" }, width.field, columns.field, ground.field)),
      h("section", { class: "publish-made", "aria-label": "The result" }, h("h3", null, "The result"), frame, state, problem, h("div", { class: "row" }, ...exports))),
    filesPart(night.id, fileName, campaign),
    adesPart(night.id, fileName));
  changed();
  return () => {
    clearTimeout(timer);
    drawing.stop();
    chosen.stop();
    URL.revokeObjectURL(address);
  };
}

/** What a reader must know before this is shown to others. @param {NightRecord} record */
function warnings(record) {
  const r = /** @type {NightRecord & {n_warnings?: number, setup?: {simulated?: boolean}}} */ (record);
  const said = (r.notes ?? []).slice(0, r.n_warnings ?? 0);
  if (r.setup?.simulated && !said.some((n) => n.includes("simulated"))) said.unshift("The frames are simulated: nothing here is about a real comet.");
  if (said.length === 0) return null;
  return h("section", { class: "warning", "aria-label": "What readers must know" }, h("p", null, h("strong", null, "Readers must know")), h("ul", null, ...said.map((n) => h("li", null, capital(n)))));
}

/** What was chosen here before, as far as it still fits. @param {string} key @param {Panel[]} panels @param {string} title @returns {Draft} */
function read(key, panels, title) {
  /** @type {Draft} */
  const usual = { panels: ["light", "twin"].filter((name) => panels.some((p) => p.name === name)), columns: 2, title, words: null, width_px: 1920, theme: seen() === "light" ? "light" : "dark" };
  try {
    const was = JSON.parse(memory.read(key) ?? "{}");
    return { ...usual, ...was, panels: (was.panels ?? usual.panels).filter((/** @type {string} */ p) => panels.some((q) => q.name === p)) };
  } catch {
    return usual;
  }
}
