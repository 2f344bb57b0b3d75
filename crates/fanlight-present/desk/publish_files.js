/** The night's other files to give away: its page, record, the season's animation, and the report of places. @module */

import * as api from "./api.js";
import { save } from "./downloads.js";
import { choice, fill, h } from "./dom.js";
import { trouble } from "./jobs.js";

/** @import { Campaign } from "./types.js" */
/** @import { Season } from "./season_types.js" */

/** @param {number} night @param {string} fileName @param {Campaign} campaign */
export function filesPart(night, fileName, campaign) {
  const animation = h("div", null);
  showAnimation(animation, campaign).catch(() => fill(animation, h("p", { class: "small" }, "Whether there is a season's animation could not be asked.")));
  const link = (/** @type {string} */ href, /** @type {string} */ download, /** @type {string} */ words, /** @type {string} */ what) => h("li", null, h("a", { href, download }, words), ` – ${what}`);
  return h("section", { "aria-label": "Files" }, h("h3", null, "Files"),
    h("ul", { class: "findings" },
      link(`api/nights/${night}/page`, `${fileName}.html`, "The night's page", "everything in one file that opens without a network and prints"),
      link(`api/nights/${night}/record`, `${fileName}.json`, "The record", "night.json, for other programs")),
    animation);
}

/** @param {HTMLElement} place @param {Campaign} campaign */
async function showAnimation(place, campaign) {
  /** @type {Season} */
  const season = await api.get("api/season");
  if (!season.is_there || !season.files.includes("season.gif")) {
    fill(place, h("h4", null, "Animation"), h("p", null, "There is none yet: it comes with the season. ", h("a", { href: "#/season" }, "Make the season")));
    return;
  }
  const image = h("img", { class: "animation", alt: `The nights of ${campaign.object} one after another at one scale, the date on each.`, loading: "lazy", src: `api/season/files/season.gif?v=${season.made_utc}` });
  const links = [["season.gif", "GIF"], ["season-animated.png", "animated PNG"]].filter(([f]) => season.files.includes(f)).map(([f, words]) => h("a", { class: "button", href: `api/season/files/${f}`, download: f }, `Save ${words}`));
  fill(place, h("h4", null, "Animation of the season"), season.is_stale && h("p", { class: "warning" }, "It is older than a night's last measurement. ", h("a", { href: "#/season" }, "Make the season again")),
    h("div", { class: "row" }, ...links),
    // it moves only for who opens it, and stops when it is closed
    h("details", null, h("summary", null, "Show it moving"), image));
}

/** A report of places in ADES: what it would hold, or why it is refused. @param {number} night @param {string} fileName */
export function adesPart(night, fileName) {
  const state = { positions: "night", format: "psv" };
  const place = h("div", null);
  const positions = choice("Places", [["night", "one of the whole night"], ["frames", "one of each frame"]], state.positions, (v) => { state.positions = v; fill(place); });
  const format = choice("Form", [["psv", "PSV: columns"], ["xml", "XML"]], state.format, (v) => { state.format = v; fill(place); });
  const ask = h("button", { type: "button", onclick: async () => {
    ask.disabled = true;
    try {
      const wanted = `format=${state.format}&positions=${state.positions}`;
      const { refused_because: refused } = await api.get(`api/nights/${night}/ades/check?${wanted}`);
      if (refused) fill(place, trouble(new api.Refused(refused, null, 200)));
      else {
        const text = await api.text(`api/nights/${night}/ades?${wanted}`);
        fill(place, h("p", { role: "status" }, "This is what would be handed in. Read it, then save it."), h("pre", { class: "ades", tabindex: 0, "aria-label": "The report" }, text),
          h("button", { type: "button", class: "main", onclick: () => save(new Blob([text], { type: state.format === "xml" ? "application/xml" : "text/plain" }), `${fileName}-ades.${state.format}`) }, "Save the report"));
      }
    } catch (error) {
      fill(place, trouble(error));
    }
    ask.disabled = false;
  } }, "Look at the report");
  return h("section", { "aria-label": "Report of places" }, h("h3", null, "Report of places (ADES)"),
    h("p", { class: "small" }, "For whoever collects measured places of comets. What its rules forbid is refused here in words, and nothing is sent from this page."),
    h("div", { class: "row" }, positions.field, format.field, ask), place);
}
